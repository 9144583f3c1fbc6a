"""The shot in hand: what has been charted of it, what is suggested, what is missing."""

from __future__ import annotations

from typing import Any

import numpy as np

from sidewall.charting.rows import Row, Setup
from sidewall.charting.table import Next
from sidewall.court import Court, gap_from_x, wall_of
from sidewall.log.choice import derive_choice
from sidewall.log.vocabulary import CHOICES, CONTACTS, DIRECTIONS, SIDES, STROKES


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


def place(x_m: float, y_m: float, court: Court) -> Row:
    """Fields of a place on the court: x and y in metres, kept inside, and the gap in cm."""
    x = round(min(max(x_m, 0.0), court.width_m), 2)
    y = round(min(max(y_m, 0.0), court.length_m), 2)
    return {"x": x, "y": y, "gap_cm": round(100 * float(gap_from_x([x], court)[0][0]), 1)}


def with_gap(fields: Row, gap_cm: float | None, court: Court) -> Row:
    """Fields of a gap typed in cm; a place that is known moves along to agree with it."""
    found: Row = {"gap_cm": gap_cm}
    x = fields.get("x")
    if gap_cm is not None and x is not None and 0 <= gap_cm <= 100 * court.half_width_m:
        on_left = x <= court.half_width_m
        found["x"] = round(gap_cm / 100 if on_left else court.width_m - gap_cm / 100, 2)
    return found


def suggestions(setup: Setup, fields: Row, due: Next, court: Court) -> Row:
    """Fields taken for granted unless another is keyed.

    Shot 1 is a serve. Other balls are met after their bounce (the more frequent case). The
    side is the one that faces the nearer side wall, where the striker's hand is known and the
    place too; a serve is taken for a forehand (common practice, no source).
    """
    found: Row = {}
    if due.shot == 1:
        found |= {"stroke": "serve", "side": "forehand"}
    elif fields:
        found["contact"] = "after_bounce"
        side = _side(setup, fields, due.striker, court)
        if side is not None:
            found["side"] = side
    return {name: word for name, word in found.items() if name not in fields}


def missing(fields: Row) -> list[str]:
    """What a shot needs before it can be taken."""
    lacking = [name for name in ("side", "stroke") if name not in fields]
    if "gap_cm" not in fields and fields.get("stroke") != "serve":
        lacking.append("place")
    return lacking


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
