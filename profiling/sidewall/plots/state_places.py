"""Where the balls of a rally chain are drawn: to scale on the court, or on a ring."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.court.court import Court
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.models.counted import ALL_STROKES
from sidewall.plots.words import plain
from sidewall.rallies.states import SERVE

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


def group_words(group: tuple[str, str], has_contact: bool) -> str:
    """Name a side and stroke family in lower case."""
    side, family = group
    if not has_contact:
        return f"{side}, {ALL_STROKES}"
    return f"{side} volley" if family == "volley" else f"{side} after the bounce"


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
