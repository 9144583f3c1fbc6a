"""Kappa, intraclass correlation and limits of agreement, for rows that come in rallies."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import fdtri, ndtri, stdtrit

from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.rallies.intervals import deviation


def reach(shots_of_rally: Array, level: float) -> float:
    """Half-width of an interval in standard deviations over draws of whole rallies.

    Student's t quantile on the effective number of rallies less one, ``(sum m)^2 / sum m^2 - 1``
    for m compared shots in each rally: long rallies among short ones carry the variance, so that
    it is known as poorly as from fewer rallies (after Kish 1965, Survey Sampling). Times
    ``sqrt(G / (G - 1))``: G rallies drawn with replacement vary a little too little.
    """
    m = np.asarray(shots_of_rally, dtype=float)
    rallies, effective = len(m), m.sum() ** 2 / np.sum(m**2)
    t = float(stdtrit(max(effective - 1.0, 1.0), 0.5 + level / 2.0))
    return t * float(np.sqrt(rallies / max(rallies - 1, 1)))


class Kappa(NamedTuple):
    """Kappa with its standard error and interval; NaN where it cannot be told."""

    kappa: float
    se: float
    low: float
    high: float


def kappa_of(counts: ArrayLike) -> Array:
    """Kappa of tables of counts, shape (..., k, k); NaN where chance agrees always.

    ``(po - pe) / (1 - pe)`` with the share ``po`` on the diagonal and ``pe``, what the
    margins alone would put there (Cohen 1960, Educational and Psychological Measurement
    20:37-46).
    """
    p = np.asarray(counts, dtype=float)
    n = p.sum(axis=(-2, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        agreed = np.trace(p, axis1=-2, axis2=-1) / n
        chance = np.sum(p.sum(axis=-1) * p.sum(axis=-2), axis=-1) / n**2
        room = 1.0 - chance
        return np.where(room > 1e-12, (agreed - chance) / room, np.nan)


def cohen_kappa(counts: ArrayLike, level: float = 0.95) -> Kappa:
    """Kappa of a table of counts, as if all pairs were independent.

    Parameters
    ----------
    counts : array-like, shape (k, k)
        First charter's word by row, second's by column.
    level : float, default 0.95

    Returns
    -------
    Kappa
        With the large-sample standard error of Fleiss, Cohen & Everitt 1969, Psychological
        Bulletin 72:323-327. Shots of one rally are not independent: see `clustered_kappa`.

    Raises
    ------
    DataError
        If the table is not square or holds no pair.
    """
    table = np.asarray(counts, dtype=float)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or not table.sum() > 0:
        raise DataError(
            f"The table of pairs has the shape {table.shape} and {table.sum():g} pairs; give a "
            "square table, the same words in the same order both ways, with at least one pair."
        )
    kappa = float(kappa_of(table))
    if np.isnan(kappa):
        return Kappa(*(float("nan"),) * 4)
    from statsmodels.stats.inter_rater import cohens_kappa  # noqa: PLC0415 - slow to load

    with np.errstate(invalid="ignore"):  # it takes the root of a variance that may be -1e-17
        variance = float(cohens_kappa(table).var_kappa)
    se = float(np.sqrt(max(variance, 0.0)))
    half = float(ndtri(0.5 + level / 2.0)) * se
    return Kappa(kappa, se, kappa - half, kappa + half)


def clustered_kappa(counts: Array, weights: Array, low_agreed: float, level: float = 0.95) -> Kappa:
    """Kappa of pairs that come in rallies, with an interval that says so.

    Counts are (rallies, k, k); weights, how often each rally is drawn, (draws, rallies). The
    standard error is the standard deviation over draws of whole rallies. Kappa cannot pass 1 and
    piles up below it, so the interval is even on the scale of ``log(1 - kappa)``; how far it
    reaches is in `reach`. Where no pair disagrees no draw does, and the lower limit is
    `low_agreed`, that of the share of agreement, put into kappa's formula.
    """
    rallies, k, _ = counts.shape
    total = counts.sum(axis=0)
    kappa = float(kappa_of(total))
    if np.isnan(kappa):
        return Kappa(*(float("nan"),) * 4)
    if kappa == 1.0:
        n = total.sum()
        chance = float(total.sum(axis=1) @ total.sum(axis=0)) / n**2
        return Kappa(1.0, 0.0, float((low_agreed - chance) / (1.0 - chance)), 1.0)
    drawn = kappa_of((weights @ counts.reshape(rallies, -1)).reshape(-1, k, k))
    se = float(deviation(drawn))
    out = reach(counts.sum(axis=(1, 2)), level) * se / (1.0 - kappa)
    low, high = (1.0 - (1.0 - kappa) * np.exp(sign * out) for sign in (1.0, -1.0))
    return Kappa(kappa, se, float(max(low, -1.0)), float(high))


#: Forms of Shrout & Fleiss, and what each asks of a single reading.
FORMS: Final = {
    "ICC(1,1)": "each ball read by other charters",
    "ICC(2,1)": "absolute agreement of charters in general",
    "ICC(3,1)": "consistency of these charters, a constant difference forgiven",
}

_NEARLY: Final = 1.0 - 1e-12


def intraclass(ratings: ArrayLike, level: float = 0.95) -> pd.DataFrame:
    """Intraclass correlations of single readings, as if all balls were independent.

    Parameters
    ----------
    ratings : array-like, shape (n, k)
        n things, each read by k charters, none missing.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        Rows ICC(1,1), ICC(2,1), ICC(3,1); columns ``icc``, ``low``, ``high``.

    Raises
    ------
    DataError
        With fewer than two things or two charters, or missing readings.

    Notes
    -----
    Shrout & Fleiss 1979, Psychological Bulletin 86:420-428. Intervals from the F
    distribution, that of ICC(2,1) with Satterthwaite's degrees of freedom: McGraw & Wong
    1996, Psychological Methods 1:30-46, table 7. They take the readings to be normal.
    """
    x = np.asarray(ratings, dtype=float)
    if x.ndim != 2 or min(x.shape) < 2 or np.isnan(x).any():
        raise DataError(
            f"Readings of shape {x.shape} with {int(np.isnan(x).sum())} missing; give two or more "
            "things, each read by the same two or more charters."
        )
    n, k = x.shape
    grand = x.mean()
    between = k * np.sum((x.mean(axis=1) - grand) ** 2)
    charters = n * np.sum((x.mean(axis=0) - grand) ** 2)
    total = np.sum((x - grand) ** 2)
    values = _forms(between, charters, total, float(n), k)
    msb, msc = between / (n - 1), charters / (k - 1)
    msw = (total - between) / (n * (k - 1))
    mse = (total - between - charters) / ((n - 1) * (k - 1))
    q = 0.5 + level / 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = zip(
            _one_way(msb / msw, n - 1, n * (k - 1), k, q),
            _two_way(float(values[1]), (msb, msc, mse), n, k, q),
            _one_way(msb / mse, n - 1, (n - 1) * (k - 1), k, q),
            strict=True,
        )
    return pd.DataFrame(
        {"icc": values, "icc_low": low, "icc_high": high},
        index=pd.Index(list(FORMS), name="form"),
    )


def _forms(between: Any, charters: Any, total: Any, n: Any, k: int) -> Array:
    """The three correlations from sums of squares, along the first axis."""
    with np.errstate(divide="ignore", invalid="ignore"):
        msb, msc = between / (n - 1), charters / (k - 1)
        msw = (total - between) / (n * (k - 1))
        mse = (total - between - charters) / ((n - 1) * (k - 1))
        return np.stack(
            [
                (msb - msw) / (msb + (k - 1) * msw),
                (msb - mse) / (msb + (k - 1) * mse + k * (msc - mse) / n),
                (msb - mse) / (msb + (k - 1) * mse),
            ]
        )


def _one_way(f: float, df1: float, df2: float, k: int, q: float) -> tuple[float, float]:
    low, high = f / fdtri(df1, df2, q), f * fdtri(df2, df1, q)
    return float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))


def _two_way(
    icc: float, squares: tuple[float, float, float], n: int, k: int, q: float
) -> tuple[float, float]:
    msb, msc, mse = squares
    a = k * icc / (n * (1 - icc))
    b = 1 + k * icc * (n - 1) / (n * (1 - icc))
    v = (a * msc + b * mse) ** 2 / ((a * msc) ** 2 / (k - 1) + (b * mse) ** 2 / ((n - 1) * (k - 1)))
    rest = k * msc + (k * n - k - n) * mse
    below, above = fdtri(n - 1, v, q), fdtri(v, n - 1, q)
    low = n * (msb - below * mse) / (below * rest + n * msb)
    high = n * (above * msb - mse) / (rest + n * above * msb)
    return float(low), float(high)


def clustered_intraclass(
    first: Array, second: Array, rally: Array, weights: Array, level: float = 0.95
) -> pd.DataFrame:
    """Intraclass correlations, as :func:`intraclass`, of two charters' balls that come in rallies.

    Readings are (n,), none missing; `rally` is the position of each ball's rally among the columns
    of `weights`, (draws, rallies): how often each is drawn. The interval is even on Fisher's
    scale, ``artanh``, its standard error the standard deviation over draws of whole rallies; how
    far it reaches is in `reach`. It does not take the readings to be normal.
    """
    middle = (first.mean() + second.mean()) / 2  # takes nothing away but rounding errors
    a, b = first - middle, second - middle
    columns = (np.ones_like(a), a, b, a * a, b * b, a * b)
    rallies = weights.shape[1]
    by_rally = np.column_stack([np.bincount(rally, c, minlength=rallies) for c in columns])
    icc = _from_sums(by_rally.sum(axis=0))
    # readings that are all alike would be infinitely far out on Fisher's scale
    z, drawn = (
        np.arctanh(np.clip(found, -_NEARLY, _NEARLY))
        for found in (icc, _from_sums((weights @ by_rally).T))
    )
    out = reach(by_rally[:, 0], level) * drawn.std(axis=1, ddof=1)
    return pd.DataFrame(
        {"icc": icc, "icc_low": np.tanh(z - out), "icc_high": np.tanh(z + out)},
        index=pd.Index(list(FORMS), name="form"),
    )


def _from_sums(sums: Array) -> Array:
    """The three correlations of two charters from n and sums of a, b, aa, bb, ab."""
    n, a, b, aa, bb, ab = sums
    grand = (a + b) ** 2 / (2 * n)
    between = (aa + bb + 2 * ab) / 2 - grand
    charters = (a**2 + b**2) / n - grand
    return _forms(between, charters, aa + bb - grand, n, 2)


def limits_of_agreement(
    differences: ArrayLike, multiplier: float | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Mean difference and limits of agreement, as if all balls were independent.

    Parameters
    ----------
    differences : array-like, shape (n,)
        First reading less second.
    multiplier : float, optional
        Standard deviations from the mean to the limits; by default the normal quantile of
        `level`, 1.96. Bland and Altman's first paper takes 2.
    level : float, default 0.95
        Share of the differences between the limits, and level of the intervals.

    Returns
    -------
    DataFrame
        Rows ``bias``, ``lower``, ``upper``; columns ``value``, ``se``, ``low``, ``high``.

    Raises
    ------
    DataError
        With fewer than two differences.

    Notes
    -----
    Bland & Altman 1986, Lancet 1:307-310: standard errors ``s / sqrt(n)`` of the mean and
    ``sqrt(3 s^2 / n)`` of the limits, Student's t on n - 1.
    """
    d = np.asarray(differences, dtype=float)
    d = d[~np.isnan(d)]
    if len(d) < 2:
        raise DataError(f"{len(d)} differences; limits of agreement take two or more.")
    s = d.std(ddof=1)
    half = s * (multiplier or float(ndtri(0.5 + level / 2.0)))
    se = s / np.sqrt(len(d)) * np.array([1.0, np.sqrt(3.0), np.sqrt(3.0)])
    t = float(stdtrit(len(d) - 1, 0.5 + level / 2.0))
    return _table(d.mean() + half * np.array([0.0, -1.0, 1.0]), se, t)


def clustered_limits(
    differences: Array, rally: Array, weights: Array, level: float = 0.95
) -> pd.DataFrame:
    """Limits as of :func:`limits_of_agreement`, and ``sd``, of balls that come in rallies.

    Arguments as :func:`clustered_intraclass` takes them. Standard errors are standard deviations
    over draws of whole rallies; how far intervals reach is in `reach`. The interval of the
    standard deviation is even on the log scale.
    """
    rallies = weights.shape[1]
    centre = differences.mean()
    d = differences - centre
    columns = (np.ones_like(d), d, d * d)
    by_rally = np.column_stack([np.bincount(rally, c, minlength=rallies) for c in columns])
    z = float(ndtri(0.5 + level / 2.0))

    def found(sums: Array) -> tuple[Array, Array]:
        n, total, squares = sums
        mean = total / n
        s = np.sqrt(np.maximum(squares - n * mean**2, 0.0) / (n - 1))
        return np.stack([mean, mean - z * s, mean + z * s]) + centre, s

    value, s = found(by_rally.sum(axis=0))
    drawn, spread = found((weights @ by_rally).T)
    far = reach(by_rally[:, 0], level)
    table = _table(value, drawn.std(axis=1, ddof=1), far)
    se = float(spread.std(ddof=1))
    out = far * se / s if s > 0 else 0.0
    table.loc["sd"] = [float(s), se, float(s * np.exp(-out)), float(s * np.exp(out))]
    return table


def _table(value: Array, se: Array, far: float) -> pd.DataFrame:
    out = far * se
    return pd.DataFrame(
        {"value": value, "se": se, "value_low": value - out, "value_high": value + out},
        index=pd.Index(["bias", "lower", "upper"], name="quantity"),
    )
