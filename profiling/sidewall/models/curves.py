"""Tables of win-probability curves, and how much better attacking is at each gap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from sidewall.log.vocabulary import CHOICES

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[np.float64]


def curve_table(
    model: TightnessModel,
    values: Array,
    covariances: Array,
    z: float,
    gaps_m: Sequence[float] | None = None,
) -> pd.DataFrame:
    """Chance of winning against the gap, attacking and resetting, cell by cell.

    By value the height of both curves is drawn toward the ladder's, more than the bands
    say; the gain of attack over reset is not. See "Coverage of the intervals" in the
    contributor guide.

    Parameters
    ----------
    model : TightnessModel
    values : ndarray, shape (players, cells, 2, 1 + k)
        Coefficients of every curve.
    covariances : ndarray, shape (players, cells, 2 * (1 + k), 2 * (1 + k))
    z : float
        Normal quantile of the level.
    gaps_m : sequence of float, optional
        Gaps in metres; by default every 2 cm up to the widest of the cell.

    Returns
    -------
    DataFrame
        One row a player, cell and gap: ``attack``, ``attack_low``, ``attack_high`` and the
        same for ``reset`` (chance of winning the rally, pointwise intervals); ``gain``
        with limits (attack minus reset, delta method); ``p_attack_better`` (confidence
        that attacking is the better choice).
    """
    parts = []
    widest = model.gap_max_m()
    for j, (side, family) in enumerate(model.cells_):
        gaps = np.arange(0.0, widest.iloc[j], 0.02) if gaps_m is None else np.asarray(gaps_m)
        rows = np.column_stack([np.ones(len(gaps)), model.transform_.basis(gaps)])
        eta = np.einsum("pck,gk->pcg", values[:, j], rows)
        k = rows.shape[1]
        blocks = covariances[:, j].reshape(-1, 2, k, 2, k)
        V = np.einsum("gk,pckdl,gl->pgcd", rows, blocks, rows)
        win = expit(eta)
        table = {
            "player": np.repeat(model.players_, len(gaps)),
            "side": side,
            "family": family,
            "gap_m": np.tile(gaps, len(values)),
        }
        for c, choice in enumerate(CHOICES):
            error = np.sqrt(V[:, :, c, c])
            table[choice] = win[:, c].ravel()
            table[f"{choice}_low"] = expit(eta[:, c] - z * error).ravel()
            table[f"{choice}_high"] = expit(eta[:, c] + z * error).ravel()
        slope = win * (1.0 - win)
        step = np.stack([slope[:, 0], -slope[:, 1]], axis=-1)  # players, gaps, choice
        error = np.sqrt(np.einsum("pgc,pgcd,pgd->pg", step, V, step))
        gain = win[:, 0] - win[:, 1]
        table["gain"] = gain.ravel()
        table["gain_low"], table["gain_high"] = (
            (gain - z * error).ravel(),
            (gain + z * error).ravel(),
        )
        contrast = V[:, :, 0, 0] + V[:, :, 1, 1] - 2.0 * V[:, :, 0, 1]
        table["p_attack_better"] = ndtr((eta[:, 0] - eta[:, 1]) / np.sqrt(contrast)).ravel()
        parts.append(pd.DataFrame(table))
    return pd.concat(parts, ignore_index=True)
