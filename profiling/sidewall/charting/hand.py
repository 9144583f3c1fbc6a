"""The shot in hand: what is charted of it, what the next click means, what is missing."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from sidewall.charting.rows import Row, Setup
from sidewall.charting.table import Next
from sidewall.court import Court, gap_from_x, wall_of
from sidewall.errors import DataError
from sidewall.log.choice import derive_choice
from sidewall.log.vocabulary import CHOICES, CONTACTS, DIRECTIONS, SIDES, STROKES

#: What a click on the floor can mean, and the fields that it fills.
CLICKS: Final = {
    "struck": ("x", "y"),
    "opponent": ("opponent_x", "opponent_y"),
    "bounce": ("bounce_x", "bounce_y"),
}
#: What is clicked of a shot at each level after the place where the ball is struck.
MORE_CLICKS: Final[dict[str, tuple[str, ...]]] = {
    "short": (),
    "usual": ("opponent",),
    "full": ("opponent", "bounce"),
}
#: A click so far off the floor is a slip of the hand and is taken to the floor's edge, metres.
SLIP_M: Final = 0.3
#: Nearer to the middle of the court than this a place does not tell straight from cross, metres.
_UNCLEAR_M: Final = 0.4
#: Strokes that go by way of a side or back wall, so that the bounce does not tell the direction.
_ROUND_THE_WALLS: Final = ("serve", "boast", "back_wall_boast", "skid_boast")


class Hand:
    """The fields of the shot in hand, with undo of each."""

    def __init__(self) -> None:
        self.fields: Row = {}
        self._before: list[Row] = []

    def set(self, values: Row) -> None:
        """Put fields; None takes a field away."""
        changed = {**self.fields, **values}
        changed = {name: value for name, value in changed.items() if value is not None}
        if changed != self.fields:
            self._before.append(self.fields)
            self.fields = changed

    def undo(self) -> bool:
        """Take back the last fields; False if nothing is in hand."""
        if not self._before:
            return False
        self.fields = self._before.pop()
        return True


def on_floor(x_m: float, y_m: float, court: Court, slip_m: float = SLIP_M) -> tuple[float, float]:
    """Return a place on the floor, metres to the centimetre; a slip is taken to its edge.

    A DataError if the place is farther off the floor than ``slip_m``.
    """
    beyond = {
        "the left wall": -x_m,
        "the right wall": x_m - court.width_m,
        "the front wall": -y_m,
        "the back wall": y_m - court.length_m,
    }
    wall = max(beyond, key=lambda name: beyond[name])
    if not math.isfinite(x_m + y_m) or beyond[wall] > slip_m:
        raise DataError(
            f"That is {beyond[wall]:.1f} m beyond {wall}, off the court. Click on the floor, "
            "straight under the ball. Nothing was changed."
        )
    x = round(min(max(x_m, 0.0), court.width_m), 2)
    return x, round(min(max(y_m, 0.0), court.length_m), 2)


def struck(x: float, y: float, court: Court) -> Row:
    """Fields of the place where a ball is struck: x and y in metres, and the gap in cm."""
    gap = round(100 * float(gap_from_x([x], court)[0][0]), 1)
    return {"x": x, "y": y, "gap_cm": gap, "gap_class": None}


def with_gap(fields: Row, gap_cm: float | None, court: Court) -> Row:
    """Fields of a gap typed in cm; a place that is known moves along to agree with it."""
    found: Row = {"gap_cm": gap_cm, "gap_class": None}
    x = fields.get("x")
    if gap_cm is not None and x is not None and 0 <= gap_cm <= 100 * court.half_width_m:
        on_left = x <= court.half_width_m
        found["x"] = round(gap_cm / 100 if on_left else court.width_m - gap_cm / 100, 2)
    return found


def next_click(fields: Row, due: Next, level: str, short: bool) -> str:
    """What the next click on the floor means: one of `CLICKS`, or ``next``.

    ``next`` is the place where the next ball is struck; it takes the shot in hand, `fields`.
    `level` is one of `sidewall.charting.table.LEVELS`; `short`, whether it is a short row.
    """
    if short and {"gap_class", "choice"} <= set(fields):
        return "next"
    if "x" not in fields:
        return "struck"
    more = () if short or due.shot == 1 else MORE_CLICKS[level]
    return next((click for click in more if CLICKS[click][0] not in fields), "next")


def suggestions(
    setup: Setup, fields: Row, due: Next, court: Court, *, level: str, short: bool
) -> Row:
    """Fields taken for granted unless another is keyed.

    Shot 1 is a serve. The side is the one that faces the nearer side wall, where the striker's
    hand is known and the place too; a serve is taken for a forehand (common practice, no
    source). In a row that is charted in full, other balls are met after their bounce (the more
    frequent case); the direction follows from the bounce (see `direction_of`); and the striker
    is set, where the level asks for the balance.
    """
    found: Row = {}
    if due.shot == 1:
        found |= {"stroke": "serve", "side": "forehand"}
    elif fields:
        side = _side(setup, fields, due.striker, court)
        if side is not None:
            found["side"] = side
        if not short:
            found["contact"] = "after_bounce"
            direction = direction_of(fields, fields.get("bounce_x"), court)
            if direction is not None:
                found["direction"] = direction
            if level != "short":
                found["balance"] = "set"
    return {name: word for name, word in found.items() if name not in fields}


def missing(fields: Row, short: bool) -> list[str]:
    """What a shot needs before it can be taken."""
    lacking = [name for name in ("side", "stroke") if name not in fields]
    if "gap_cm" not in fields and fields.get("stroke") != "serve":
        lacking.append("place")
    if not short or not lacking:
        return lacking
    return [
        words
        for words, given in (
            ("gap (tight, middling, loose, or a click)", {"gap_cm", "gap_class"} & set(fields)),
            ("choice (attack or reset)", "choice" in fields),
        )
        if not given
    ]


def direction_of(fields: Row, lands_x_m: float | None, court: Court) -> str | None:
    """Straight or cross, from where the ball goes; None where that is not clear.

    `lands_x_m` is where it bounces or is struck next, metres from the left wall. A ball struck
    clear of the middle of the court is straight if it comes to the side lane of its own half, and
    cross if it comes to the other half, clear of the middle. In between it may be a cross that was
    cut off. Strokes that go by way of a side or back wall are left out.
    """
    x = fields.get("x")
    if x is None or lands_x_m is None or fields.get("stroke", "serve") in _ROUND_THE_WALLS:
        return None
    struck_at, lands_at = x - court.half_width_m, lands_x_m - court.half_width_m
    if abs(struck_at) < _UNCLEAR_M:
        return None
    if struck_at * lands_at < 0:
        return "cross" if abs(lands_at) >= _UNCLEAR_M else None
    in_lane = court.half_width_m - abs(lands_at) <= court.service_box_m
    return "straight" if in_lane else None


def derived_choice(fields: Row) -> str | None:
    """Attack or reset as the reader derives it where no choice is keyed."""
    stroke, direction, contact = (
        np.array([words.index(word) if (word := fields.get(name)) else -1])
        for name, words in (("stroke", STROKES), ("direction", DIRECTIONS), ("contact", CONTACTS))
    )
    code = int(derive_choice(stroke, direction, contact)[0])
    return None if code < 0 else CHOICES[code]


def _side(setup: Setup, fields: Row, striker: str, court: Court) -> str | None:
    hand, x = setup.hands.get(striker), fields.get("x")
    if hand is None or x is None:
        return None
    wall: Any = gap_from_x([x], court)[1][0]
    return next((side for side in SIDES if wall_of(side, hand) == wall), None)
