"""Tries as tables: one row a try, or one row a matched shot."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sidewall.combinations.matching import STOPPED, Tries, match
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import Step
from sidewall.combinations.variants import variants
from sidewall.features.coded import as_category


def tries_table(columns: ShotColumns, steps: Sequence[Step], player: str | None) -> pd.DataFrame:
    """One row a try; see :meth:`Combination.find`."""
    code = None if player is None else columns.player_code(player)
    return _table(columns, match(columns, steps, code))


def _table(columns: ShotColumns, tries: Tries) -> pd.DataFrame:
    shots, start = columns.shots, tries.start
    rally = columns.runs.of_shot[start]
    winner = columns.winner[rally] if len(start) else np.empty(0, np.int64)
    own = tries.owner == columns.player[start]
    opponent = np.where(own, columns.opponent[start], columns.player[start])
    table = {
        "player": as_category(tries.owner, columns.names),
        "opponent": as_category(opponent, columns.names),
        **{
            name: shots[name].iloc[start].reset_index(drop=True)
            for name in ("match", "game", "rally")
        },
        "rally_id": rally,
        "shot": columns.position[start] + 1,
        "shots": tries.shots,
        "reached": tries.reached,
        "finished": tries.stopped == 0,
        "stopped": as_category(tries.stopped, STOPPED),
        "inside_earlier": tries.inside,
        "won": np.where(winner < 0, np.nan, (winner == tries.owner).astype(np.float64)),
    }
    last = start + tries.shots - 1
    if "t_s" in shots.columns:
        table["t_s"] = shots["t_s"].to_numpy(dtype=np.float64)[start]
    if "line" in shots.columns:
        line = shots["line"].to_numpy(dtype=np.int64)
        table["line"], table["last_line"] = line[start], line[last]
    table["row"] = start
    return pd.DataFrame(table)


def shots_of_tries(columns: ShotColumns, steps: Sequence[Step], player: str | None) -> pd.DataFrame:
    """One row a matched shot; see :meth:`Combination.shots_of`."""
    code = None if player is None else columns.player_code(player)
    tries = match(columns, steps, code)
    found = _table(columns, tries)
    which = np.repeat(np.arange(len(found)), tries.shots)
    nth = np.arange(len(which)) - np.repeat(np.cumsum(tries.shots) - tries.shots, tries.shots)
    step = np.zeros(len(which), dtype=np.int64)
    for number, positions in enumerate(variants(steps)):
        mine = tries.way[which] == number
        step[mine] = np.asarray(positions)[nth[mine]]
    row = tries.start[which] + nth
    words = [str(each) for each in steps]
    repeated = len(set(words)) < len(words)  # the words alone would not tell the steps apart
    words = [f"{k}. {said}" if repeated else said for k, said in enumerate(words, start=1)]
    front = pd.DataFrame(
        {
            "try": which,
            "step": step + 1,
            "words": as_category(step, words),
            "by": as_category((nth + (steps[0].by == "reply")) % 2, ["own", "reply"]),
            "last": nth == tries.shots[which] - 1,
        }
    )
    for name in ("stopped", "player", "won"):
        front[name] = found[name].iloc[which].reset_index(drop=True)
    shots = columns.shots.iloc[row].reset_index(drop=True)
    shots = shots.rename(columns={"player": "striker"})
    shots = shots.drop(columns=[name for name in ("opponent", "won") if name in shots.columns])
    return pd.concat([front, shots.assign(row=row)], axis=1)
