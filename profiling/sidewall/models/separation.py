"""Does a finite maximum-likelihood estimate of a logistic regression exist?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Linear predictors beyond this only arise when an estimate runs off (p < 1e-6).
_SUSPECT = 14.0


def logistic_start(X: Array, successes: Array, trials: Array) -> tuple[Array, bool]:
    """Plain logistic regression by Newton's method, used as a starting point.

    Returns
    -------
    beta : ndarray, shape (p,)
    suspect : bool
        True when the iteration ran off or stalled, as under separation.
    """
    beta = np.zeros(X.shape[1])
    for _ in range(30):
        eta = np.clip(X @ beta, -30, 30)
        mu = 1.0 / (1.0 + np.exp(-eta))
        info = X.T @ (X * (trials * mu * (1 - mu))[:, None])
        ridge = 1e-10 * np.trace(info) / len(info)
        step = np.linalg.solve(info + ridge * np.eye(len(info)), X.T @ (successes - trials * mu))
        beta = beta + step
        if np.abs(X @ step).max() < 1e-6:
            return beta, bool(np.abs(X @ beta).max() > _SUSPECT)
    return beta, True


def separating_columns(X: Array, successes: Array, trials: Array) -> NDArray[np.intp]:
    """Find columns of a direction along which the likelihood rises for ever.

    The estimate is infinite when some direction d has ``x'd >= 0`` for every success,
    ``x'd <= 0`` for every failure, and not all zero (Albert & Anderson 1984, Biometrika
    71:1-10). That is a linear programme (Konis 2007, DPhil thesis, University of Oxford).

    Returns
    -------
    ndarray of int
        Columns with a non-zero part in such a direction; empty when there is none.
    """
    from scipy.optimize import linprog  # noqa: PLC0415 - seldom needed, slow to load

    scale = np.abs(X).max(axis=0)
    scale[scale == 0] = 1.0
    Xs = X / scale
    won, lost = successes > 0, successes < trials
    signed = np.concatenate([Xs[won], -Xs[lost]])
    signed = np.unique(signed, axis=0)
    result = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    if result.x is None or signed.sum(axis=0) @ result.x < 1e-7:
        return np.empty(0, dtype=np.intp)
    return np.flatnonzero(np.abs(result.x) > 1e-7)
