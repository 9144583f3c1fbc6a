"""Intraclass correlation: how much of the spread of a measure is not the charters'."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import fdtri

from sidewall.agreement.spread import reach
from sidewall.arguments import Array
from sidewall.errors import DataError

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
        limits = [
            _one_way(msb / msw, n - 1, n * (k - 1), k, q),
            _two_way(float(values[1]), (msb, msc, mse), n, k, q),
            _one_way(msb / mse, n - 1, (n - 1) * (k - 1), k, q),
        ]
    return pd.DataFrame(
        {"icc": values, "low": [low for low, _ in limits], "high": [high for _, high in limits]},
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
    """Intraclass correlations of two charters over balls that come in rallies.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Readings, none missing.
    rally : ndarray of int, shape (n,)
        Position of each ball's rally among the columns of `weights`.
    weights : ndarray, shape (draws, rallies)
        How often each rally is drawn; see `sidewall.rallies.intervals.rally_weights`.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        As :func:`intraclass`. The interval is even on Fisher's scale, ``artanh``, its
        standard error the standard deviation over draws of whole rallies; how far it
        reaches is in :mod:`sidewall.agreement.spread`. It does not take the readings to be
        normal.
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
        {"icc": icc, "low": np.tanh(z - out), "high": np.tanh(z + out)},
        index=pd.Index(list(FORMS), name="form"),
    )


def _from_sums(sums: Array) -> Array:
    """The three correlations of two charters from n and sums of a, b, aa, bb, ab."""
    n, a, b, aa, bb, ab = sums
    grand = (a + b) ** 2 / (2 * n)
    between = (aa + bb + 2 * ab) / 2 - grand
    charters = (a**2 + b**2) / n - grand
    return _forms(between, charters, aa + bb - grand, n, 2)
