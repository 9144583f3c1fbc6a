"""Comfort: a player's forehand against the backhand, for the same stroke family."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.models.thresholds import CROSSES, Threshold, quantile

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[np.float64]

_DRAWS = 4000


def comfort_table(
    model: TightnessModel,
    values: Array,
    covariance: Array,
    found: list[list[Threshold]],
    level: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Backhand minus forehand, by player and stroke family.

    Two differences. In thresholds: how much looser the ball must be on the backhand
    before attacking pays; given only where both sides have a threshold, with the
    interval from draws of both curves together. In the chance of winning: the player's
    own shots of the family, both sides pooled, are put through either side's curves,
    so that the two sides meet the same gaps with the same choices (delta method).

    Parameters
    ----------
    model : TightnessModel
    values : ndarray, shape (players, cells, 2, 1 + k)
    covariance : ndarray, shape (players, m, m), m = cells * 2 * (1 + k)
    found : list of lists of Threshold
        By player and cell.
    level : float
        Confidence level.
    rng : numpy.random.Generator
        For the draws behind the interval of the difference in thresholds.

    Returns
    -------
    DataFrame
        ``player``, ``family``, ``threshold_forehand_m``, ``threshold_backhand_m``,
        ``threshold_difference_m`` with ``_low``, ``_high``; ``win_forehand``,
        ``win_backhand``, ``win_difference`` with ``_low``, ``_high``; ``n_forehand``,
        ``n_backhand`` shots and ``n_rallies``.
    """
    used, families = model.used_, model.families_
    k, z = values.shape[-1], quantile(level)
    of_player = dict(list(used.groupby(used["player"].astype(str))))
    widest = model.gap_max_m().to_numpy()
    rows = []
    for i, player in enumerate(model.players_):
        for f, family in enumerate(families):
            cells = (f, len(families) + f)  # forehand, backhand
            own = of_player[player]
            own = own[own["family"] == family]
            if len(own) == 0:
                continue
            at = np.concatenate([np.arange(c * 2 * k, (c + 1) * 2 * k) for c in cells])
            V = covariance[i][np.ix_(at, at)]
            theta = values[i, list(cells)].reshape(2, 2 * k)
            win, error = _win_difference(model, own, theta, V)
            difference = win[1] - win[0]
            row = {
                "player": player,
                "family": family,
                **_threshold_difference(
                    model, (found[i][cells[0]], found[i][cells[1]]),
                    theta, V, widest[list(cells)], level, rng,
                ),
                "win_forehand": win[0],
                "win_backhand": win[1],
                "win_difference": difference,
                "win_difference_low": difference - z * error,
                "win_difference_high": difference + z * error,
                "n_forehand": int((own["side"] == "forehand").sum()),
                "n_backhand": int((own["side"] == "backhand").sum()),
                "n_rallies": own["rally_id"].nunique(),
            }  # fmt: skip
            rows.append(row)
    return pd.DataFrame(rows)


def _win_difference(
    model: TightnessModel, own: pd.DataFrame, theta: Array, V: Array
) -> tuple[Array, float]:
    """Mean chance of winning by side over the same balls, and the difference's error."""
    h = np.column_stack([np.ones(len(own)), model.transform_.basis(own["gap_m"])])
    attack = (own["choice"] == "attack").to_numpy()[:, None]
    design = np.hstack([h * attack, h * ~attack])
    win = expit(design @ theta.T)
    gradient = design.T @ (win * (1.0 - win)) / len(own)  # (2k, side)
    step = np.concatenate([-gradient[:, 0], gradient[:, 1]])
    return win.mean(axis=0), float(np.sqrt(step @ V @ step))


def _threshold_difference(
    model: TightnessModel,
    found: tuple[Threshold, Threshold],
    theta: Array,
    V: Array,
    widest: Array,
    level: float,
    rng: np.random.Generator,
) -> dict[str, float]:
    forehand, backhand = found
    result = {
        "threshold_forehand_m": forehand.gap_m,
        "threshold_backhand_m": backhand.gap_m,
        "threshold_difference_m": backhand.gap_m - forehand.gap_m,
        "threshold_difference_low": float("nan"),
        "threshold_difference_high": float("nan"),
    }
    if forehand.status != CROSSES or backhand.status != CROSSES:
        return result
    k = theta.shape[1] // 2
    draws = rng.multivariate_normal(theta.ravel(), V, _DRAWS, method="eigh").reshape(-1, 2, 2, k)
    contrast = draws[:, :, 0] - draws[:, :, 1]
    crossings = []
    for side in (0, 1):
        gaps = np.linspace(0.0, widest[side], 160)
        rows = np.column_stack([np.ones(len(gaps)), model.transform_.basis(gaps)])
        reset_better = contrast[:, side] @ rows.T <= 0.0
        # the last gap at which resetting is still better; 0 when there is none
        last = 159 - np.argmax(reset_better[:, ::-1], axis=1)
        crossings.append(np.where(reset_better.any(axis=1), gaps[last], 0.0))
    tails = [(1.0 - level) / 2.0, (1.0 + level) / 2.0]
    low, high = np.quantile(crossings[1] - crossings[0], tails)
    return result | {"threshold_difference_low": low, "threshold_difference_high": high}
