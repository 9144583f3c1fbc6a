"""What pictures of a rally chain read, and places of its balls: on the court, or on a ring."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.court.court import Court
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.models.counted import ALL_STROKES
from sidewall.plots.words import cell_words, plain
from sidewall.rallies.intervals import shown_rows
from sidewall.rallies.states import SERVE
from sidewall.rallies.transitions import ENDS

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

_NAME: Final = re.compile(rf"({'|'.join(SIDES)}) ({'|'.join(FAMILIES)}) (.+)")
#: Volleys are drawn in front of the short line, other balls behind it: first and last row
#: as shares of the court's length, from loose to tight.
_ROWS: Final = {"volley": (0.205, 0.45), "ground": (0.655, 0.95)}
_SERVE_AT: Final = (0.5, 0.9)
_RING_M: Final = 2.5


@dataclass(frozen=True)
class Ball:
    """A state's name taken apart: side and family are empty where it does not say them."""

    state: str
    side: str
    family: str
    band: str

    @property
    def group(self) -> tuple[str, str]:
        """Side and family."""
        return self.side, self.family


def ball_of(state: str) -> Ball:
    """Take a state's name apart: '<side> <family> <band>', or a name of its own."""
    found = _NAME.fullmatch(state)
    if found is None:
        return Ball(state, "", "", plain(state))
    side, family, band = found.groups()
    return Ball(state, side, family, plain(re.sub(r"(?<=\d)-(?=\d)", "–", band)))


@dataclass(frozen=True)
class ChainTables:
    """A fitted chain as tables, of all or of one player's shots.

    By state: `rows` have the chance of every next ball or end, with intervals where asked for;
    `n` and `met` the shots behind a row and those of the whole log; `gap_m` the mean gap, metres.
    `rallies` are of the whole log; `has_contact` says whether volleys are told apart.
    """

    player: str | None
    rows: pd.DataFrame
    low: pd.DataFrame
    high: pd.DataFrame
    n: pd.Series
    met: pd.Series
    gap_m: pd.Series
    rallies: int
    has_contact: bool

    @classmethod
    def of(
        cls, chain: RallyChain, player: str | None, limits: tuple[Array, Array] | None = None
    ) -> ChainTables:
        """Take the tables of a chain, of everybody's shots without a player.

        `limits` are from `row_limits`, where intervals are shown; they take a bootstrap. A
        NotFittedError or DataError if the chain is not fitted or does not know the player.
        """
        rows, n = shown_rows(chain, player)
        states, moves = list(chain.states_), chain.moves()
        ends = limits or (np.full(rows.shape, np.nan),) * 2
        known = moves.start >= 0
        gaps = pd.Series(moves.table["gap_m"].to_numpy(dtype=float)[known])
        mean = gaps.groupby(moves.start[known]).mean().reindex(range(len(states)))
        chances, low, high = (pd.DataFrame(one, states, [*states, *ENDS]) for one in (rows, *ends))
        return cls(
            player, chances, low, high, pd.Series(n, states), chain.visits_, mean.set_axis(states),
            len(np.unique(moves.rally)), "contact" in moves.table.columns,
        )  # fmt: skip

    @property
    def balls(self) -> list[Ball]:
        """Balls that the ladder met, in the chain's order."""
        return [ball_of(str(state)) for state in self.met.index[self.met > 0]]


def group_words(group: tuple[str, str], has_contact: bool) -> str:
    """Name a side and stroke family in lower case."""
    side, family = group
    return cell_words(side, family if has_contact else ALL_STROKES).lower()


def runs(balls: list[Ball]) -> list[tuple[tuple[str, str], int, int]]:
    """Stretches of balls of one group: the group, where it begins and where it ends."""
    starts = [i for i, ball in enumerate(balls) if i == 0 or ball.group != balls[i - 1].group]
    ends = [*starts[1:], len(balls)][: len(starts)]  # none where there are no balls
    return [(balls[i].group, i, j) for i, j in zip(starts, ends, strict=True)]


def court_places(balls: list[Ball], gap_m: pd.Series) -> dict[str, tuple[float, float]] | None:
    """Places on the court by state, metres: as far from the side wall as the balls are on average.

    Backhand left, as a right-hander sees it. Within a side and family every ball has a row of its
    own, the loosest in front, so depth tells only the family. None where a state other than the
    serve does not tell its place.
    """
    court = Court()
    gap = gap_m.to_dict()
    placed = [ball for ball in balls if ball.state != SERVE]
    if not placed or any(not ball.side or np.isnan(gap[ball.state]) for ball in placed):
        return None
    places = {}
    if len(placed) < len(balls):
        places[SERVE] = (_SERVE_AT[0] * court.width_m, _SERVE_AT[1] * court.length_m)
    for side in SIDES:
        for family in FAMILIES:
            row = [ball.state for ball in placed if ball.group == (side, family)]
            row.sort(key=lambda state: -gap[state])
            first, last = (share * court.length_m for share in _ROWS[family])
            step = (last - first) / max(len(row) - 1, 1)
            for k, state in enumerate(row):
                away = min(gap[state], court.half_width_m - 0.2)
                x = away if side == "backhand" else court.width_m - away
                places[state] = (x, first + k * step if len(row) > 1 else (first + last) / 2)
    return places


def ring_places(balls: list[Ball]) -> dict[str, tuple[float, float]]:
    """Places on a circle in the middle of an upright square of metres, clockwise from noon."""
    turn = [2.0 * math.pi * k / len(balls) for k in range(len(balls))]
    return {
        ball.state: (_RING_M * math.sin(angle), -_RING_M * math.cos(angle))
        for ball, angle in zip(balls, turn, strict=True)
    }
