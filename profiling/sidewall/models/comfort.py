"""Comfort: a player's forehand against the backhand, for the same stroke family."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

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
    families, rallies = model.families_, model.family_rallies()
    k, z = values.shape[-1], quantile(level)
    own_shots = OwnShots.of(model)
    widest = model.gap_max_m().to_numpy()
    rows = []
    for i, player in enumerate(model.players_):
        for f, family in enumerate(families):
            cells = (f, len(families) + f)  # forehand, backhand
            own = own_shots.of_family(i, family)
            if len(own.n) == 0:
                continue
            at = np.concatenate([np.arange(c * 2 * k, (c + 1) * 2 * k) for c in cells])
            V = covariance[i][np.ix_(at, at)]
            theta = values[i, list(cells)].reshape(2, 2 * k)
            win, error = own.win_difference(theta, V)
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
                "n_forehand": int(own.n[own.forehand].sum()),
                "n_backhand": int(own.n[~own.forehand].sum()),
                "n_rallies": int(rallies[i, f]),
            }  # fmt: skip
            rows.append(row)
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class OwnShots:
    """Kinds of shot that a player struck: basis of the gap, choice, side and number."""

    h: Array
    attack: NDArray[np.bool_]
    forehand: NDArray[np.bool_]
    family: NDArray[Any]
    n: Array
    start: NDArray[np.int64]

    @classmethod
    def of(cls, model: TightnessModel) -> OwnShots:
        """Those of all players of a model, one below another."""
        counted = model.counted_
        start = np.searchsorted(counted.player, np.arange(len(counted.players) + 1))
        found = cls.one_by_one(model, counted.kinds.iloc[counted.kind])
        return replace(found, n=counted.n, start=start)

    @classmethod
    def one_by_one(cls, model: TightnessModel, shots: pd.DataFrame) -> OwnShots:
        """Shots of one player, each for itself."""
        return cls(
            np.column_stack([np.ones(len(shots)), model.transform_.basis(shots["gap_m"])]),
            (shots["choice"] == "attack").to_numpy(),
            (shots["side"] == "forehand").to_numpy(),
            shots["family"].astype(str).to_numpy(),
            np.ones(len(shots)),
            np.array([0, len(shots)]),
        )

    def win_difference(self, theta: Array, V: Array) -> tuple[Array, float]:
        """Mean chance of winning by side over the same balls, and the difference's error."""
        attack = self.attack[:, None]
        design = np.hstack([self.h * attack, self.h * ~attack])
        win = expit(design @ theta.T)
        share = (self.n / self.n.sum())[:, None]
        gradient = design.T @ (win * (1.0 - win) * share)  # (2k, side)
        step = np.concatenate([-gradient[:, 0], gradient[:, 1]])
        return (win * share).sum(axis=0), float(np.sqrt(step @ V @ step))

    def of_family(self, player: int, family: str) -> OwnShots:
        """Those of one player and family."""
        some = slice(self.start[player], self.start[player + 1])
        at = self.family[some] == family
        names = ("h", "attack", "forehand", "family", "n")
        return replace(self, **{name: getattr(self, name)[some][at] for name in names})


def _win_difference(
    model: TightnessModel, own: pd.DataFrame, theta: Array, V: Array
) -> tuple[Array, float]:
    """The same as :meth:`OwnShots.win_difference`, for a table of shots."""
    return OwnShots.one_by_one(model, own).win_difference(theta, V)


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
