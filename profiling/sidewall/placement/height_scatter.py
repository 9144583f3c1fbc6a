"""Mean height and scatter of the shots of one cell, balls in the tin among them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sidewall.arguments import Floats
from sidewall.features.rates import wilson_interval
from sidewall.placement.best_height import tin_chance
from sidewall.placement.censored import CensoredNormal

#: Fewest heights seen for a scatter of its own.
LEAST_SEEN = 15


@dataclass(frozen=True)
class Scatter:
    """Mean height and scatter of one cell, with their covariance (of mean and log scatter)."""

    mean_m: float
    sd_m: float
    covariance: Floats
    seen: int
    in_tin: int
    #: Share in the tin that a normal scatter around the mean gives.
    tin_expected: float


def scatter_of(group: pd.DataFrame, around_each_player: bool) -> Scatter | None:
    """Estimate a cell; None with too few heights.

    Parameters
    ----------
    group
        Rows of :func:`~sidewall.placement.heights.wall_heights`.
    around_each_player
        Whether every player has an own mean height, and the scatter is around that.
    """
    X = None
    if around_each_player:
        X = pd.get_dummies(group["player"].astype(str), dtype=float)
        enough = group.groupby(group["player"].astype(str))["height_m"].count() >= 2
        X = X[enough.index[enough]]
        group = group[X.sum(axis=1) > 0]
        X = X.loc[group.index]
    seen = int(group["height_m"].notna().sum())
    if seen < max(LEAST_SEEN, 0 if X is None else X.shape[1] + 2):
        return None
    fit = CensoredNormal().fit(group["height_m"], group["tin_m"], X)
    p = len(fit.coefficients_)
    # Maximum likelihood divides by n; n - p is unbiased without censoring.
    grow = seen / (seen - p)
    weight = np.ones(1) if X is None else X.to_numpy().mean(axis=0)
    pick = np.zeros((2, p + 1))
    pick[0, :p], pick[1, p] = weight, 1.0
    covariance = pick @ fit.covariance_.to_numpy() @ pick.T * grow
    means = np.ones((len(group), 1)) if X is None else X.to_numpy()
    means = means @ fit.coefficients_.to_numpy()
    sd = fit.sd_ * float(np.sqrt(grow))
    expected = float(tin_chance(means, sd, group["tin_m"].to_numpy()).mean())
    mean = float(weight @ fit.coefficients_.to_numpy())
    return Scatter(mean, sd, covariance, seen, int(group["in_tin"].sum()), expected)


def scatter_row(one: Scatter, level: float) -> dict[str, Any]:
    """Numbers of a cell with their limits, for a table."""
    z = float(ndtri(0.5 + level / 2.0))
    n = one.seen + one.in_tin
    low, high = wilson_interval(one.in_tin, n, level)
    e_mean, e_sd = np.sqrt(np.diag(one.covariance))
    return {
        "shots": n,
        "in_tin": one.in_tin,
        "tin_share": one.in_tin / n,
        "tin_low": float(low),
        "tin_high": float(high),
        "tin_expected": one.tin_expected,
        "mean_m": one.mean_m,
        "mean_low": one.mean_m - z * e_mean,
        "mean_high": one.mean_m + z * e_mean,
        "sd_m": one.sd_m,
        "sd_low": one.sd_m * np.exp(-z * e_sd),
        "sd_high": one.sd_m * np.exp(z * e_sd),
    }
