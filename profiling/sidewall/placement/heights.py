"""Heights on the front wall: seen, or known to be below the tin, and the normal that fits both.

A ball in the tin has a height: it is below the tin's upper edge. To leave such balls out
makes a player look higher and steadier than the player is, and to put them on the edge is
as wrong. Their part of the likelihood is the chance of a height below the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import log_ndtr

from sidewall.arguments import Array, Bools
from sidewall.errors import DataError
from sidewall.features.coded import kept_and_left_out, need_columns
from sidewall.features.shots import with_features

_STEPS = 100
_CLOSE = 1e-9


class CensoredNormal:
    r"""Maximum likelihood for ``y = x'b + e``, ``e ~ N(0, s^2)``, some y censored from below.

    Attributes
    ----------
    coefficients_ : Series, length p
    sd_ : float
        Estimate of s.
    covariance_ : DataFrame, (p + 1) x (p + 1)
        Of the coefficients and of ``log s``, from the inverse Hessian.
    loglik_ : float

    Notes
    -----
    The Tobit model (Tobin 1958, Econometrica 26:24-36) with a limit of its own for each row.
    The log likelihood is maximised in ``b / s`` and ``1 / s``, in which it is concave (Olsen
    1978, Econometrica 46:1211-1215), so Newton's steps find its one maximum; no library of
    ours has a limit for each row.
    """

    def fit(
        self,
        y: ArrayLike,
        limit: ArrayLike,
        X: ArrayLike | pd.DataFrame | None = None,
        clusters: ArrayLike | None = None,
    ) -> CensoredNormal:
        """Estimate coefficients and spread.

        Parameters
        ----------
        y : array-like, shape (n,)
            The values; NaN for one that is censored.
        limit : array-like, shape (n,) or ()
            What a censored value lies below.
        X : array-like or DataFrame, shape (n, p), optional
            Columns of the regression, the intercept among them; an intercept alone by default.
        clusters : array-like, shape (n,), optional
            What rows share, such as the rally: each variance is multiplied by its design
            effect, that of scores summed by cluster over that of single ones, if above 1
            (Liang & Zeger 1986, Biometrika 73:13-22).

        Returns
        -------
        CensoredNormal
            The fitted object itself.

        Raises
        ------
        DataError
            If too few values are seen for the columns, all seen values are alike, or a
            censored row has no limit.
        """
        values = np.asarray(y, dtype=float)
        below = np.broadcast_to(np.asarray(limit, dtype=float), values.shape)
        names, design = _design(X, len(values))
        censored = np.isnan(values)
        _check(values, below, design, censored)
        start = _start(values, below, design, censored)
        parts = design, np.where(censored, below, values), censored
        theta, hessian = self._climb(parts, start)
        scores = pd.DataFrame(_scores(theta, *parts))
        self._finish(theta, hessian, names, scores, clusters)
        return self

    def _climb(self, parts: tuple[Any, ...], theta: Array) -> tuple[Array, Array]:
        value, gradient, hessian = _likelihood(theta, *parts)
        for _ in range(_STEPS):
            move = np.linalg.solve(hessian, -gradient)
            rise = float(gradient @ move)
            length = 1.0
            while length > 1e-8:
                trial = theta + length * move
                if trial[-1] > 0 and _likelihood(trial, *parts)[0] >= value - 1e-12 * abs(value):
                    break
                length /= 2.0
            theta = theta + length * move
            value, gradient, hessian = _likelihood(theta, *parts)
            if rise < _CLOSE:
                break
        self.loglik_ = value
        return theta, hessian

    def _finish(
        self,
        theta: Array,
        hessian: Array,
        names: list[Any],
        scores: pd.DataFrame,
        clusters: ArrayLike | None,
    ) -> None:
        sd = 1.0 / theta[-1]
        p = len(theta) - 1
        # b = d s and log s = -log t, where d = b / s and t = 1 / s.
        jacobian = np.eye(p + 1) * sd
        jacobian[:p, -1] = -theta[:-1] * sd**2
        jacobian[-1, -1] = -sd
        reach = jacobian @ np.linalg.inv(-hessian)
        covariance = reach @ jacobian.T
        if clusters is not None:
            pulls = scores @ reach.T  # of each row on each parameter
            effect = (pulls.groupby(np.asarray(clusters)).sum() ** 2).sum() / (pulls**2).sum()
            wider = np.sqrt(np.maximum(effect.to_numpy(), 1.0))
            covariance = covariance * np.outer(wider, wider)
        labels = [*names, "log sd"]
        self.coefficients_ = pd.Series(theta[:-1] * sd, names, name="estimate")
        self.sd_ = float(sd)
        self.covariance_ = pd.DataFrame(covariance, labels, labels)


def _design(X: ArrayLike | pd.DataFrame | None, n: int) -> tuple[list[Any], Array]:
    if X is None:
        return ["mean"], np.ones((n, 1))
    values = np.asarray(X, dtype=float)
    values = values[:, None] if values.ndim == 1 else values
    names: Sequence[Any] = (
        list(X.columns)
        if isinstance(X, pd.DataFrame)
        else [f"x{k}" for k in range(values.shape[1])]
    )
    return list(names), values


def _check(y: Array, limit: Array, X: Array, censored: Bools) -> None:
    if len(y) != len(X):
        raise DataError(f"y has {len(y)} values, X {len(X)} rows; give as many of each")
    if not np.isfinite(X).all():
        raise DataError("X holds missing values; drop those rows or fill them")
    if not np.isfinite(limit[censored]).all():
        raise DataError("a missing value has no limit to lie below; give it one or leave it out")
    seen = int((~censored).sum())
    if seen < X.shape[1] + 1:
        raise DataError(
            f"{seen} values were seen for {X.shape[1]} coefficients and a spread; add data"
        )
    if np.linalg.matrix_rank(X) < X.shape[1]:
        raise DataError("columns of X depend on one another; leave one out")


def _start(y: Array, limit: Array, X: Array, censored: Bools) -> Array:
    """Least squares with the censored values on their limits."""
    filled = np.where(censored, limit, y)
    b, *_ = np.linalg.lstsq(X, filled, rcond=None)
    sd = np.sqrt(np.mean((filled - X @ b) ** 2))
    if not sd > 1e-9 * max(float(np.abs(filled).max()), 1e-9):
        raise DataError("all values are the same, so there is no spread to estimate; add data")
    return np.append(b / sd, 1.0 / sd)


def _scores(theta: Array, X: Array, y: Array, censored: Bools) -> Array:
    """Gradient of every row's log likelihood, (n, p + 1)."""
    r = theta[-1] * y - X @ theta[:-1]
    slope = np.where(censored, np.exp(-0.5 * r**2 - log_ndtr(r)) / np.sqrt(2.0 * np.pi), -r)
    scores = np.column_stack([-X, y]) * slope[:, None]
    scores[:, -1] += ~censored / theta[-1]
    return scores


def _likelihood(theta: Array, X: Array, y: Array, censored: Bools) -> tuple[float, Array, Array]:
    """Log likelihood, gradient and Hessian in (b / s, 1 / s); y holds limits where censored."""
    t = theta[-1]
    r = t * y - X @ theta[:-1]
    Z = np.column_stack([-X, y])  # derivative of r
    log_cdf = log_ndtr(r)
    log_pdf = -0.5 * r**2 - 0.5 * np.log(2.0 * np.pi)
    ratio = np.exp(log_pdf - log_cdf)
    value = float(np.sum(np.where(censored, log_cdf, log_pdf + np.log(t))))
    slope = np.where(censored, ratio, -r)
    bend = np.where(censored, -ratio * (r + ratio), -1.0)
    gradient = Z.T @ slope
    hessian = (Z * bend[:, None]).T @ Z
    seen = float((~censored).sum())
    gradient[-1] += seen / t
    hessian[-1, -1] -= seen / t**2
    return value, gradient, hessian


#: Upper edge of the tin: singles court, and professional play (World Squash Federation,
#: Specifications for Squash Courts).
TIN_HEIGHTS_M: Final = (0.43, 0.48)

Pressure = Literal["none", "balance", "gap"]


def wall_heights(
    shots: pd.DataFrame,
    tin_height_m: float = 0.48,
    pressure: Pressure = "none",
    tight_below_m: float = 0.3,
) -> tuple[pd.DataFrame, pd.Series]:
    """Keep the shots whose height is known, exactly or as "in the tin".

    Parameters
    ----------
    shots
        A shot table or a table of features, with ``wall_z_m``.
    tin_height_m
        Upper edge of the tin for matches that do not carry their own.
    pressure
        How shots are told apart: by ``balance`` (set, or pressed: stretched or jammed), by the
        incoming ``gap`` (loose, or tight), or not at all.
    tight_below_m
        Gap below which a ball counts as tight.

    Returns
    -------
    table : DataFrame
        As features, and ``tin_m`` (that match's tin), ``in_tin``, ``height_m`` (NaN in the
        tin), ``pressure``.
    left_out : Series of int
        Shots left out, by reason; each counts under its first.

    Raises
    ------
    DataError
        If the log has no heights at all, or `pressure` needs a column that it lacks.

    Notes
    -----
    A shot is in the tin if its ending says so, with or without a height. A height that was
    charted in the tin is not used beyond that: nobody measures it well. A ball that went out
    without a height is left out, though it was a high one: chart the height of such balls.
    """
    need_columns(shots, ("wall_z_m", "ending"))
    if not 0.2 < tin_height_m < 1.0:
        raise DataError(f"tin_height_m is {tin_height_m}; give metres, such as 0.48 or 0.43")
    table = with_features(shots)
    z = table["wall_z_m"].to_numpy(dtype=float)
    tin = np.full(len(table), tin_height_m)
    if "tin_height_m" in table.columns:
        charted = table["tin_height_m"].to_numpy(dtype=float)
        tin = np.where(np.isnan(charted), tin, charted)
    ending = table["ending"].astype(object).to_numpy()
    in_tin = ending == "tin"
    reasons = {
        "serve": (table["stroke"] == "serve").to_numpy(),
        "down": (ending == "down") & ~in_tin,
        "height not charted": np.isnan(z) & ~in_tin,
        "below the tin, yet not ended there: check wall_z and tin_height": ~in_tin & (z < tin),
    }
    words, unknown = _pressure(table, pressure, tight_below_m)
    reasons |= unknown
    kept, left_out = kept_and_left_out(reasons)
    table = table.assign(
        tin_m=tin, in_tin=in_tin, height_m=np.where(in_tin, np.nan, z), pressure=words
    )
    used = table[kept]
    if used["height_m"].notna().sum() == 0:
        raise DataError(
            "no shot has a height on the front wall above the tin: chart wall_z for some matches"
        )
    return used, left_out


def _pressure(
    table: pd.DataFrame, pressure: Pressure, tight_below_m: float
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    if pressure == "none":
        return np.full(len(table), "any", dtype=object), {}
    if pressure == "balance":
        need_columns(table, ("balance",))
        balance = table["balance"].astype(object)
        words = np.where(balance == "set", "set", "pressed")
        return words.astype(object), {"balance not charted": balance.isna().to_numpy()}
    if pressure == "gap":
        gap = table["gap_m"].to_numpy(dtype=float)
        words = np.where(gap < tight_below_m, "tight", "loose")
        return words.astype(object), {"gap not charted": np.isnan(gap)}
    raise DataError(f"pressure is {pressure!r}; it must be 'none', 'balance' or 'gap'")
