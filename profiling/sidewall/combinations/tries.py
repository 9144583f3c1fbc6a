"""Tries of a combination in whole logs: found, tabulated, counted by stage.

A try starts at every shot that meets the first step. Own shots and replies take turns in
a rally, so the j-th step of a way of playing is asked of the j-th shot from the start:
arrays of starts are shortened step by step, with no loop over rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, cast

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Ints
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import Step, variants
from sidewall.features.coded import as_category
from sidewall.features.rates import ClusteredRate, clustered_rate

#: Why a try stopped, in the order of the codes.
STOPPED: Final = ("finished", "another shot", "rally over", "not charted")


@dataclass(frozen=True)
class Tries:
    """Every try of a combination, in the order of play; all of shape (tries,).

    The row of its `start`; its `owner`, as a position in the names of the players; the `way` of
    playing it that it was taken for (see `variants`); how many `shots` matched; the last step
    `reached`, from 1, in the full list of steps; why it `stopped`, a position in `STOPPED`; whether
    it started `inside` an earlier finished try of the same player and rally.
    """

    start: Ints
    owner: Ints
    way: Ints
    shots: Ints
    reached: Ints
    stopped: Ints
    inside: Bools


def match(columns: ShotColumns, steps: Sequence[Step], player: int | None = None) -> Tries:
    """Find every try; where several ways fit, the finished, then the longest, then the fullest."""
    known: dict[Step, tuple[Bools, Bools]] = {}
    for step in steps:
        if step not in known:
            known[step] = columns.meets(step)
    n = len(columns.shots)
    best = np.zeros(n, dtype=np.int64)  # finished first, then shots matched; 0: no try
    way = np.zeros(n, dtype=np.int64)
    for number, positions in enumerate(variants(steps)):
        start, matched = follow(columns, [steps[k] for k in positions], known, player)
        score = matched + np.where(matched == len(positions), len(steps), 0)
        better = score > best[start]
        best[start[better]] = score[better]
        way[start[better]] = number
    start = np.flatnonzero(best > 0)
    return _describe(columns, steps, known, start, best[start], way[start])


def follow(
    columns: ShotColumns,
    steps: Sequence[Step],
    known: dict[Step, tuple[Bools, Bools]],
    player: int | None,
) -> tuple[Ints, Ints]:
    """Rows at which one way of playing starts, and how many of its shots follow."""
    first = known[steps[0]][0]
    if player is not None:
        striker = columns.player if steps[0].by == "own" else columns.opponent
        first = first & (striker == player)
    start = np.flatnonzero(first)
    matched = np.ones(len(start), dtype=np.int64)
    alive = np.arange(len(start))
    for j, step in enumerate(steps[1:], start=1):
        alive = alive[columns.left[start[alive]] >= j]
        alive = alive[known[step][0][start[alive] + j]]
        matched[alive] += 1
    return start, matched


def _describe(
    columns: ShotColumns,
    steps: Sequence[Step],
    known: dict[Step, tuple[Bools, Bools]],
    start: Ints,
    best: Ints,
    way: Ints,
) -> Tries:
    ways = variants(steps)
    finished = best > len(steps)
    shots = np.where(finished, best - len(steps), best)
    reached = np.zeros(len(start), dtype=np.int64)
    stopped = np.zeros(len(start), dtype=np.int64)
    owner = np.zeros(len(start), dtype=np.int64)
    for number, positions in enumerate(ways):
        mine = way == number
        reached[mine] = np.asarray(positions)[shots[mine] - 1] + 1
        own_first = steps[positions[0]].by == "own"
        striker = columns.player if own_first else columns.opponent
        owner[mine] = striker[start[mine]]
        for j in range(1, len(positions)):
            here = np.flatnonzero(mine & ~finished & (shots == j))
            over = columns.left[start[here]] < j
            stopped[here[over]] = 2
            on = here[~over]
            stopped[on] = np.where(known[steps[positions[j]]][1][start[on] + j], 3, 1)
    inside = _inside(columns, start, owner, finished, shots)
    return Tries(start, owner, way, shots, reached, stopped, inside)


def _inside(columns: ShotColumns, start: Ints, owner: Ints, finished: Bools, shots: Ints) -> Bools:
    """Flag starts within an earlier finished try of the same owner in the same rally."""
    rally = columns.runs.of_shot[start] if len(start) else start
    inside = np.zeros(len(start), dtype=bool)
    # the two players of a rally are told apart by who strikes first of its shots
    side = (owner == columns.player[columns.runs.first[rally]]).astype(np.int64)
    for which in (0, 1):
        mine = np.flatnonzero(side == which)
        end = np.where(finished[mine], start[mine] + shots[mine] - 1, -1)
        covered = np.maximum.accumulate(end) if len(end) else end
        # ends of earlier rallies lie before every start of this one
        inside[mine[1:]] = start[mine[1:]] <= covered[:-1]
    return inside


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
    is_reply = np.array([each.by == "reply" for each in steps], dtype=np.int64)
    front = pd.DataFrame(
        {
            "try": which,
            "step": step + 1,
            "words": as_category(step, words),
            "by": as_category(is_reply[step], ["own", "reply"]),
            "last": nth == tries.shots[which] - 1,
        }
    )
    for name in ("stopped", "player", "won"):
        front[name] = found[name].iloc[which].reset_index(drop=True)
    shots = columns.shots.iloc[row].reset_index(drop=True)
    shots = shots.rename(columns={"player": "striker"})
    shots = shots.drop(columns=[name for name in ("opponent", "won") if name in shots.columns])
    return pd.concat([front, shots.assign(row=row)], axis=1)


def funnel_table(
    found: pd.DataFrame, steps: Sequence[Step], names: Sequence[str], level: float
) -> pd.DataFrame:
    """Tabulate tries by stage; see :meth:`Combination.funnel`."""
    if not names:
        return _stages(found, steps, level)
    parts = []
    for key, rows in found.groupby(list(names), observed=True, sort=True):
        part = _stages(rows, steps, level)
        for at, (name, value) in enumerate(zip(names, key, strict=True)):
            part.insert(at, name, cast(Any, value))
        parts.append(part)
    if not parts:
        return _stages(found, steps, level).iloc[:0].assign(**{name: [] for name in names})
    table = pd.concat(parts, ignore_index=True)
    for name in names:
        table[name] = table[name].astype(found[name].dtype)
    return table


def _stages(found: pd.DataFrame, steps: Sequence[Step], level: float) -> pd.DataFrame:
    finished = found["finished"].to_numpy(dtype=bool)
    # a finished try may have left out the last steps
    reached = np.where(finished, len(steps), found["reached"].to_numpy(dtype=np.int64))
    # a try that left out the first steps is a try all the same
    reached = np.maximum(reached, 1)
    last = len(steps)
    there = [reached >= k for k in range(1, last + 1)]
    there[-1] = finished
    labels = ["tried", *(f"step {k}" for k in range(2, last)), "finished"][:last]
    won = found["won"].to_numpy(dtype=np.float64)
    won_there = finished & (won == 1.0)
    n = np.array([here.sum() for here in (*there, won_there)])
    before = [np.ones(len(found), dtype=bool), *there[:-1], finished & ~np.isnan(won)]
    rally = found["rally_id"].to_numpy(dtype=np.int64)
    went_on = _shares([*there, won_there], before, rally, level)
    of_tried = _shares([*there, won_there], before[:1] * len(before), rally, level)
    table = pd.DataFrame(
        {
            "stage": [*labels, "rally won"],
            "step": [*range(1, last + 1), last],
            "words": [*(str(step) for step in steps), "the player wins the rally"],
            "n_tries": n,
            "of": [int(some.sum()) for some in before],
            "share": went_on.rate,
            "share_low": went_on.low,
            "share_high": went_on.high,
            "of_tried": of_tried.rate,
            "of_tried_low": of_tried.low,
            "of_tried_high": of_tried.high,
        }
    )
    return table.join(_results(found, [*there, won_there], level))


def _shares(here: list[Array], of: list[Array], rally: Array, level: float) -> ClusteredRate:
    """Share of those that are here among some, which share rallies; for each stage."""
    group, row = np.nonzero(np.array(of)) if len(rally) else (np.empty(0, np.int64),) * 2
    success = np.array(here)[group, row].astype(np.float64)
    return clustered_rate(success, rally[row], group.astype(np.int64), len(of), level)


def _results(found: pd.DataFrame, there: list[Array], level: float) -> pd.DataFrame:
    """Rallies won from each stage on, and what stopped the tries that got no further."""
    won = found["won"].to_numpy(dtype=np.float64)
    rally = found["rally_id"].to_numpy(dtype=np.int64)
    group, row = np.nonzero(np.array(there)) if len(found) else (np.empty(0, np.int64),) * 2
    wins = clustered_rate(won[row], rally[row], group.astype(np.int64), len(there), level)
    pairs = pd.DataFrame({"group": group, "rally": rally[row]}).drop_duplicates()
    table = pd.DataFrame(
        {
            "n_rallies": np.bincount(pairs["group"], minlength=len(there)),
            "win_rate": wins.rate,
            "win_rate_low": wins.low,
            "win_rate_high": wins.high,
        }
    )
    # the last stage is the result of finished tries, not a step that can be stopped at
    table.loc[len(there) - 1, ["win_rate", "win_rate_low", "win_rate_high"]] = np.nan
    why = found["stopped"].to_numpy(dtype=object)
    ended = [here & ~after for here, after in pairwise(there)]
    ended = [here & (why != "finished") for here in ended] + [np.zeros(len(found), dtype=bool)]
    for reason in STOPPED[1:]:
        table[reason.replace(" ", "_")] = [int((here & (why == reason)).sum()) for here in ended]
    decided = [here & ~np.isnan(won) for here in ended]
    table["stopped_win_rate"] = [won[here].mean() if here.any() else np.nan for here in decided]
    return table


def break_words(table: pd.DataFrame) -> str:
    """Say at which step a combination breaks, by its funnel."""
    stages = table.to_dict("records")
    where = breaks_at(stages)
    if where is None:
        return "Where it breaks: no tries to tell from."
    row = stages[where]
    reached = f"which {row['n_tries']:,} of {row['of']:,} tries reach"
    rivals = rivals_of(stages, where)
    if not rivals:
        return f"It breaks at step {where + 1}, {reached}."
    steps = " or ".join(str(k + 1) for k in rivals)
    return (
        f"The weakest is step {where + 1}, {reached}; but step {steps} may be as weak: the "
        "intervals overlap."
    )


def breaks_at(stages: list[dict[Any, Any]]) -> int | None:
    """Step that is most surely reached by few: 0 of 2 says less than 40 of 900."""
    steps = [k for k in range(1, len(stages) - 1) if stages[k]["of"] > 0]
    return min(steps, key=lambda k: float(stages[k]["share_high"])) if steps else None


def rivals_of(stages: list[dict[Any, Any]], where: int) -> list[int]:
    """Other steps that may be as weak as the one at ``where``: their intervals overlap."""
    high = float(stages[where]["share_high"])
    steps = [k for k in range(1, len(stages) - 1) if k != where and stages[k]["of"] > 0]
    return [k for k in steps if float(stages[k]["share_low"]) <= high]
