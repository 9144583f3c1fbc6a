"""The shots behind an item, so that clips and the report can point at them."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sidewall.worklist.gains import Gain
from sidewall.worklist.ladder import Ladder

_COLUMNS: Final = (
    *("match", "game", "rally", "shot", "line", "t_s", "opponent"),
    *("side", "family", "stroke", "direction", "choice", "gap_m", "ending", "won"),
)


def evidence_table(ladder: Ladder, gain: Gain, player: int) -> pd.DataFrame:
    """A player's shots of an item, those that cost most first; see `WorkList.evidence`."""
    mine = np.flatnonzero(ladder.player[gain.row] == player)
    kept = [name for name in _COLUMNS if name in ladder.table.columns]
    table = ladder.table.iloc[gain.row[mine]][kept].assign(points=gain.loss[mine])
    return table.sort_values("points", kind="stable", ignore_index=True)
