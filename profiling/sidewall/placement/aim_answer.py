"""The best height of one cell as an answer: a height with limits, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import expit, ndtri

from sidewall.arguments import Array
from sidewall.placement.best_height import best_height, tin_chance, win_chance
from sidewall.placement.height_gain import HeightGain
from sidewall.placement.height_scatter import Scatter

BEST: Final = "best height"
NO_GAIN: Final = "no gain from a lower ball"
NOT_KNOWN: Final = "not known yet"

_STEP_M: Final = 0.02
#: Share of rallies that does not matter: how wide the top of the curve is.
_FLAT: Final = 0.005


@dataclass(frozen=True)
class AimChances:
    """Chances of winning by aim, as estimated and as drawn with their errors.

    ``win`` has shape (aims,), ``drawn`` (draws, aims); ``now`` (1 + draws,) is the chance at
    the mean height, the estimate first.
    """

    scatter: Scatter
    tin_m: float
    aims_m: Array
    win: Array
    drawn: Array
    now: Array


def aims_from(tin_m: float, top_m: float) -> Array:
    """Heights to look at, from the tin's edge up."""
    return np.arange(tin_m, max(top_m, tin_m + 0.1) + _STEP_M / 2, _STEP_M)


def aim_chances(
    scatter: Scatter,
    gain: HeightGain,
    line: tuple[Array, Array],
    tin_m: float,
    draws: int,
    seed: int,
) -> AimChances:
    """Chances of winning at every aim, for the estimate and for draws around it.

    Parameters
    ----------
    scatter
        Of the cell.
    gain
        Of its stroke.
    line
        Intercept and slopes of the cell's curve and their covariance.
    tin_m
        Upper edge of the tin, metres.
    draws, seed
        Normal draws of scatter and curve, independent of each other.
    """
    values, covariance = line
    k = len(values)
    normal = np.vstack([np.zeros(k + 2), even_normal(draws, k + 2, seed)])
    lines = values + normal[:, :k] @ _root(covariance)
    moves = normal[:, k:] @ _root(scatter.covariance)
    sd = scatter.sd_m * np.exp(moves[:, 1])
    own = scatter.mean_m + moves[:, 0]

    def chance(at: Array) -> Array:
        def curve(z: Array) -> Array:
            eta = np.broadcast_to(lines[:, 0][:, None, None], z.shape).copy()
            basis = gain.transform_.basis(z.ravel())
            for k in range(basis.shape[1]):
                eta += lines[:, 1 + k][:, None, None] * basis[:, k].reshape(z.shape)
            return np.asarray(expit(eta))

        return win_chance(at, sd[:, None], tin_m, curve)

    aims = aims_from(tin_m, gain.highest_m)
    win = chance(np.broadcast_to(aims, (len(sd), len(aims))))
    return AimChances(scatter, tin_m, aims, win[0], win[1:], chance(own[:, None])[:, 0])


def aim_answer(cell: AimChances, level: float) -> dict[str, Any]:
    """Best height with limits, status and what it gains, for a row of a table."""
    scatter, tin = cell.scatter, cell.tin_m
    one, many = best_height(cell.aims_m, cell.win), best_height(cell.aims_m, cell.drawn)
    tail = 0.5 - level / 2
    # Beyond the heights looked at nothing is known but the direction.
    height = np.where(many.at_edge == 1, np.inf, many.height_m)
    height = np.where(many.at_edge == -1, -np.inf, height)
    low, high = np.quantile(height, [tail, 1 - tail], method="inverted_cdf")
    status = BEST if np.isfinite([low, high]).all() and one.at_edge == 0 else NOT_KNOWN
    if low == np.inf:
        status = NO_GAIN
    row: dict[str, Any] = {
        "tin_m": tin,
        "shots": scatter.seen + scatter.in_tin,
        "status": status,
        "best_m": np.nan,
        "low_m": float(low),
        "high_m": float(high),
        "flat_low_m": np.nan,
        "flat_high_m": np.nan,
        "now_m": scatter.mean_m,
        "sd_m": scatter.sd_m,
        "tin_now": float(tin_chance(scatter.mean_m, scatter.sd_m, tin)),
        "tin_best": np.nan,
        "win_now": float(cell.now[0]),
        "win_best": np.nan,
        "gain_per_100": np.nan,
        "gain_low": np.nan,
        "gain_high": np.nan,
    }
    if status != BEST:
        return row
    flat = cell.aims_m[cell.win >= one.win - _FLAT]
    # At the height that is advised, not at each draw's own best, which could only gain.
    at = (float(one.height_m) - cell.aims_m[0]) / (cell.aims_m[1] - cell.aims_m[0])
    step = min(int(at), len(cell.aims_m) - 2)
    there = (1.0 - at + step) * cell.drawn[:, step] + (at - step) * cell.drawn[:, step + 1]
    gains = 100.0 * (there - cell.now[1:])
    return row | {
        "best_m": float(one.height_m),
        "flat_low_m": float(flat.min()),
        "flat_high_m": float(flat.max()),
        "tin_best": float(tin_chance(one.height_m, scatter.sd_m, tin)),
        "win_best": float(one.win),
        "gain_per_100": float(100.0 * (one.win - cell.now[0])),
        "gain_low": float(np.quantile(gains, tail)),
        "gain_high": float(np.quantile(gains, 1 - tail)),
    }


def even_normal(draws: int, columns: int, seed: int) -> Array:
    """Independent normal columns, spread more evenly than random numbers.

    A scrambled Sobol sequence (Owen 1998, Journal of Complexity 14:466-489) through the
    normal quantile: in tests its tails were three times as exact as those of as many random
    draws.

    Returns
    -------
    ndarray, shape (k, columns)
        k is `draws`, or the next power of two.
    """
    from scipy.stats import qmc  # noqa: PLC0415 - slow to load

    power = int(np.ceil(np.log2(max(draws, 2))))
    u = qmc.Sobol(columns, seed=seed).random_base2(power)
    return np.asarray(ndtri(np.clip(u, 1e-9, 1.0 - 1e-9)))


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray((vectors * np.sqrt(np.clip(values, 0.0, None))).T)
