"""Limits of agreement: between which limits two charters' readings of one ball differ."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from sidewall.agreement.spread import reach
from sidewall.arguments import Array
from sidewall.errors import DataError


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
    """Limits of agreement over balls that come in rallies.

    Parameters
    ----------
    differences : ndarray, shape (n,)
        None missing.
    rally : ndarray of int, shape (n,)
        Position of each ball's rally among the columns of `weights`.
    weights : ndarray, shape (draws, rallies)
        How often each rally is drawn; see `sidewall.rallies.intervals.rally_weights`.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        As :func:`limits_of_agreement`, with a row ``sd`` besides; standard errors are
        standard deviations over draws of whole rallies; how far intervals reach is in
        :mod:`sidewall.agreement.spread`. The interval of the standard deviation is even on
        the log scale.
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
        {"value": value, "se": se, "low": value - out, "high": value + out},
        index=pd.Index(["bias", "lower", "upper"], name="quantity"),
    )
