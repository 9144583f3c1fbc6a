"""Checks that a rally must pass as a whole: one that contradicts itself is not used.

A rally with a missing shot misleads every later count, so one refused row refuses it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Ints
from sidewall.log.ledger import RALLY, WITH_ITS_RALLY
from sidewall.log.reading import Reading
from sidewall.log.rows import Rows
from sidewall.log.vocabulary import ENDING_WINNER, ENDINGS

LET: Final = ENDINGS.index("let")
#: Who an ending gives the rally to: +1 the last striker, -1 the opponent, 0 not fixed.
FIXED_WINNER: Final = np.array([ENDING_WINNER.get(ending, 0) for ending in ENDINGS], dtype=np.int64)
#: Names beyond the two players are slips up to this share of the rarer player's shots; two
#: matches under one name put the third player well above it.
_SLIP_SHARE: Final = 1 / 3


@dataclass
class Order:
    """Rows put in order of match, game, rally and shot, and cut into rallies, counted from 0.

    `rows` are positions in the file of those that belong to a `rally`, and whether one `begins` or
    `ends` it, all (m,); `first` and `last` are where each does so within them, (rallies,).
    """

    rows: Ints
    rally: Ints
    begins: Bools
    ends: Bools
    first: Ints
    last: Ints

    def any(self, mask: Bools) -> Bools:
        """Whether any row of each rally is in the mask, shape (rallies,)."""
        if not len(self.first):
            return np.zeros(0, dtype=bool)
        return np.logical_or.reduceat(mask, self.first)


def in_order(rows: Rows) -> Order:
    """Sort rows that say which shot of which rally they are."""
    known = np.flatnonzero((rows.match >= 0) & (rows.game > 0) & (rows.rally > 0))
    match, _ = pd.factorize(rows.match[known])  # matches in the order in which they appear
    game, number = rows.game[known], rows.rally[known]
    games = int(game.max(initial=0)) + 1
    rallies = int(number.max(initial=0)) + 1
    key = (match * games + game) * rallies + number
    shot = rows.shot[known]
    rising = (key[1:] > key[:-1]) | ((key[1:] == key[:-1]) & (shot[1:] > shot[:-1]))
    if not rising.all():
        order = np.lexsort((shot, key))
        known, key = known[order], key[order]
    begins = np.ones(len(key), dtype=bool)
    begins[1:] = key[1:] != key[:-1]
    ends = np.append(begins[1:], True)[: len(key)]
    rally = np.cumsum(begins) - 1
    return Order(known, rally, begins, ends, np.flatnonzero(begins), np.flatnonzero(ends))


def refuse_repeated(reading: Reading, rows: Rows, order: Order) -> None:
    """Refuse every row that repeats a shot of its rally."""
    shot = rows.shot[order.rows]
    again = np.zeros(len(shot), dtype=bool)
    again[1:] = (shot[1:] == shot[:-1]) & (order.rally[1:] == order.rally[:-1]) & (shot[1:] > 0)
    at = np.flatnonzero(again)
    reading.refuse(
        order.rows[at],
        "shot",
        [
            f"the same shot of the same rally stands on {other}"
            for other in reading.raw.where(order.rows[at - 1])
        ],
        "delete one of the two, or mend its match, game, rally or shot number; two matches need "
        "names of their own",
    )


def pair_players(reading: Reading, rows: Rows) -> tuple[Ints, Bools]:
    """Find the two players of each match, (matches, 2), and whether two play it, (matches,).

    They are the two names most frequent as striker or opponent; -1 where there is none. A third
    name on few rows is a slip and those rows are refused; on many it leaves the match unpaired.
    """
    matches, players = len(rows.matches), max(len(rows.players), 1)
    known = (rows.match >= 0) & (rows.player >= 0)
    named = (rows.match >= 0) & (rows.opponent >= 0)
    strikes = rows.match[known] * players + rows.player[known]
    faces = rows.match[named] * players + rows.opponent[named]
    tally = np.unique(np.concatenate([strikes, faces]), return_counts=True)
    match, player, shots = tally[0] // players, tally[0] % players, tally[1]
    order = np.lexsort((-shots, match))
    match, player, shots = match[order], player[order], shots[order]
    start = np.searchsorted(match, np.arange(matches))
    rank = np.arange(len(match)) - start[match]
    pair = np.full((matches + 1, 2), -1, dtype=np.int64)  # the last: no match named
    leading = rank < 2
    pair[match[leading], rank[leading]] = player[leading]
    second = np.bincount(match, weights=np.where(rank == 1, shots, 0), minlength=matches + 1)
    third = np.bincount(match, weights=np.where(leading, 0, shots), minlength=matches + 1)
    paired = (pair[:, 1] >= 0) & (third <= _SLIP_SHARE * second)
    stranger = known & paired[rows.match] & (rows.player != pair[rows.match, 0])
    stranger &= rows.player != pair[rows.match, 1]
    where = np.flatnonzero(stranger)
    names = np.asarray(rows.players, dtype=object)
    reading.refuse(
        where,
        "player",
        "a third name in a match of two players",
        [
            f"write {names[one]} or {names[two]}, or give the match a name of its own"
            for one, two in pair[rows.match[where]]
        ],
    )
    other = pair[rows.match].sum(axis=1) - rows.player
    reading.refuse(
        named & known & ~stranger & paired[rows.match] & (rows.opponent != other),
        "opponent",
        "the opponent is not the other player of the match",
        "write the other player, or leave the opponent out: it follows from the match",
    )
    return pair[:-1], paired[:-1]


class RallyChecks:
    """Runs the checks on rallies that have no refused row, and keeps the refused ones."""

    def __init__(self, reading: Reading, rows: Rows, order: Order) -> None:
        self.reading, self.rows, self.order = reading, rows, order
        self.refused = order.any(reading.problems.row_refused[order.rows])
        self._open = ~self.refused

    def close(self) -> None:
        """Leave rallies refused so far out of the checks that follow."""
        self._open = ~self.refused

    def refuse(self, mask: Bools, column: str, reason: str, mend: str) -> None:
        """Refuse each open rally at its first row in the mask, shape (m,)."""
        order = self.order
        at = np.flatnonzero(mask & self._open[order.rally])
        hit, where = np.unique(order.rally[at], return_index=True)
        self.refused[hit] = True
        self.reading.refuse(order.rows[at[where]], column, reason, mend, kind=RALLY)

    def refuse_others(self) -> None:
        """List the rows that go with their rally without a mistake of their own."""
        order = self.order
        own = self.reading.problems.refused[order.rows]
        at = np.flatnonzero(self.refused[order.rally] & ~own)
        # The first line at fault in each rally, to point at.
        fault = np.flatnonzero(own)
        hit, where = np.unique(order.rally[fault], return_index=True)
        first = np.full(len(order.first), "", dtype=object)
        first[hit] = self.reading.raw.where(order.rows[fault[where]])
        self.reading.refuse(
            order.rows[at],
            "",
            "its rally cannot be used without a contradiction or a hole",
            [f"mend {place}" for place in first[order.rally[at]]],
            kind=WITH_ITS_RALLY,
        )
