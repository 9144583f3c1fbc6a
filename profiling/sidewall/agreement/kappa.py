"""Cohen's kappa: agreement on words beyond what chance would give."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from sidewall.agreement.spread import reach
from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.rallies.intervals import deviation


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
    kappa, n = float(kappa_of(table)), float(table.sum())
    p = table / n
    row, column = p.sum(axis=1), p.sum(axis=0)
    agreed, chance = np.trace(p), float(row @ column)
    if np.isnan(kappa):
        return Kappa(*(float("nan"),) * 4)
    off = p * (column[:, None] + row[None, :]) ** 2
    on = np.diag(p) * ((1.0 - chance) - (row + column) * (1.0 - agreed)) ** 2
    variance = on.sum() + (1.0 - agreed) ** 2 * (off.sum() - np.trace(off))
    variance -= (agreed * chance - 2.0 * chance + agreed) ** 2
    se = float(np.sqrt(max(variance, 0.0) / n)) / (1.0 - chance) ** 2
    half = float(ndtri(0.5 + level / 2.0)) * se
    return Kappa(kappa, se, kappa - half, kappa + half)


def clustered_kappa(counts: Array, weights: Array, low_agreed: float, level: float = 0.95) -> Kappa:
    """Kappa of pairs that come in rallies, with an interval that says so.

    Parameters
    ----------
    counts : ndarray, shape (rallies, k, k)
        Table of each rally.
    weights : ndarray, shape (draws, rallies)
        How often each rally is drawn; see `sidewall.rallies.intervals.rally_weights`.
    low_agreed : float
        Lower limit of the share of agreement, for charters who agree always.
    level : float, default 0.95

    Returns
    -------
    Kappa

    Notes
    -----
    The standard error is the standard deviation over draws of whole rallies. Kappa cannot
    pass 1 and piles up below it, so the interval is even on the scale of ``log(1 - kappa)``;
    how far it reaches is in :mod:`sidewall.agreement.spread`. Where no pair disagrees no
    draw does, and the lower limit is that of the share of agreement, put into kappa's
    formula.
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
