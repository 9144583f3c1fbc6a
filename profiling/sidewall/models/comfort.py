"""Comfort: a player's forehand against the backhand, for the same stroke family."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sidewall.log.vocabulary import SIDES
from sidewall.models.answers import CROSSES, LEAST_OWN, crossings, threshold_of

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


def comfort_table(model: TightnessModel, level: float) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.comfort`."""
    posterior, families = model.posterior_, model.families_
    cut = [0.5 * (1.0 - level), 0.5 * (1.0 + level)]
    counts = model.cell_counts()
    counted = model.counted_
    playing = np.unique(counted.player)
    bounds = np.searchsorted(counted.player, np.append(playing, playing[-1] + 1))
    rows = []
    for i, player in enumerate(model.players_):
        mine = slice(bounds[i], bounds[i + 1])
        kinds = counted.kinds.iloc[counted.kind[mine]].reset_index(drop=True)
        n = counted.n[mine]
        for f, family in enumerate(families):
            own = np.flatnonzero((kinds["family"] == family).to_numpy())
            if not len(own):
                continue
            share = n[own] / n[own].sum()
            some = kinds.iloc[own]
            win = [posterior.of_own(i, some.assign(side=side)) @ share for side in SIDES]
            low, high = np.quantile(win[1] - win[0], cut)
            row: dict[str, Any] = {"player": player, "family": family}
            row |= _thresholds(model, i, (f, len(families) + f), level)
            row |= {"win_forehand": win[0].mean(), "win_backhand": win[1].mean()}
            row |= {"win_difference": (win[1] - win[0]).mean()}
            row |= {"win_difference_low": low, "win_difference_high": high}
            for side in SIDES:
                at = i * len(model.cells_) + model.cells_.index((side, family))
                own_shots = counts[["n_attack", "n_reset"]].to_numpy()[at]
                row |= {f"n_{side}": int(own_shots.sum())}
            row |= {"n_rallies": int(model.rallies_[i, len(model.cells_) + f])}
            rows.append(row)
    return pd.DataFrame(rows)


def _thresholds(
    model: TightnessModel, player: int, cells: tuple[int, int], level: float
) -> dict[str, float]:
    """Thresholds of both sides and their difference, where both are known."""
    posterior = model.posterior_
    found = []
    for cell in cells:
        at = crossings(posterior.gain(player, cell, posterior.grids[cell]), posterior.grids[cell])
        enough = min(posterior.mix.enough(player, cell, None, None)[0]) >= LEAST_OWN
        known = enough and threshold_of(at, level).status == CROSSES
        found.append(np.clip(at, 0.0, posterior.grids[cell][-1]) if known else None)
    medians = [np.nan if at is None else float(np.median(at)) for at in found]
    names = [f"threshold_{name}_m" for name in (*SIDES, "difference")]
    result = dict(zip(names, (*medians, medians[1] - medians[0]), strict=True))
    low = high = np.nan
    if found[0] is not None and found[1] is not None:
        low, high = np.quantile(found[1] - found[0], [0.5 * (1.0 - level), 0.5 * (1.0 + level)])
    ends = {"threshold_difference_low_m": float(low), "threshold_difference_high_m": float(high)}
    return result | ends
