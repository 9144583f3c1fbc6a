"""Match the steps of a combination to the shots of rallies, all rallies at once.

A try starts at every shot that meets the first step. Own shots and replies take turns in
a rally, so the j-th step of a way of playing is asked of the j-th shot from the start:
arrays of starts are shortened step by step, with no loop over rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from sidewall.combinations.shot_columns import Bools, Ints, ShotColumns
from sidewall.combinations.step import Step
from sidewall.combinations.variants import variants

#: Why a try stopped, in the order of the codes.
STOPPED: Final = ("finished", "another shot", "rally over", "not charted")


@dataclass(frozen=True)
class Tries:
    """Every try of a combination, in the order of play.

    Attributes
    ----------
    start : ndarray of int, shape (tries,)
        Row of the first shot.
    owner : ndarray of int, shape (tries,)
        Whose combination it is, as a position in the names of the players.
    way : ndarray of int, shape (tries,)
        Which way of playing it was taken to be (see `variants`).
    shots : ndarray of int, shape (tries,)
        Shots matched, the first included.
    reached : ndarray of int, shape (tries,)
        Number of the last step met, from 1, counted in the full list of steps.
    stopped : ndarray of int, shape (tries,)
        Position in `STOPPED`.
    inside : ndarray of bool, shape (tries,)
        Whether it started within an earlier finished try of the same player and rally.
    """

    start: Ints
    owner: Ints
    way: Ints
    shots: Ints
    reached: Ints
    stopped: Ints
    inside: Bools


def match(columns: ShotColumns, steps: Sequence[Step], player: int | None = None) -> Tries:
    """Find every try; where several ways fit, the finished, then the longest, then the fullest.

    Parameters
    ----------
    columns : ShotColumns
    steps : sequence of Step
    player : int, optional
        Only this player's tries.
    """
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
