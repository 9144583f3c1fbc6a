"""Lengths in and out of metres, and the unit that a column name carries.

A floorboard has no standard width, so boards are never converted without one.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeVar

import pandas as pd

from sidewall.arguments import Floats
from sidewall.errors import UnitError
from sidewall.numbers import signed

#: The inch is 0.0254 m exactly (international yard and pound agreement of 1959).
METRES_IN_AN_INCH: Final = 0.0254
UNITS: Final = ("cm", "in", "m", "boards")
UNIT_NAMES: Final = {"cm": "centimetres", "in": "inches", "m": "metres", "boards": "floorboards"}

_UNIT_WORDS: Final = {
    **dict.fromkeys(("cm", "cms", "centimetre", "centimetres", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("in", "ins", "inch", "inches"), "in"),
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(
        ("board", "boards", "floorboard", "floorboards", "floor_board", "floor_boards"), "boards"
    ),
}

Length = TypeVar("Length", float, Floats, pd.Series)


class ColumnUnit(NamedTuple):
    """What a column name says: the quantity, and its unit (None if it carries none)."""

    quantity: str
    unit: str | None


def parse_unit(word: str) -> str:
    """Return ``cm``, ``in``, ``m`` or ``boards`` for any common spelling; else a UnitError."""
    folded = re.sub(r"[^a-z]+", "_", str(word).casefold()).strip("_")
    try:
        return _UNIT_WORDS[folded]
    except KeyError:
        raise UnitError(f"Unknown unit {word!r}: use one of {', '.join(UNITS)}.") from None


def board_width(board_width_m: float | None) -> float:
    """Return the board width, metres; a UnitError unless it lies between 0 and half a metre."""
    if board_width_m is None or (isinstance(board_width_m, float) and math.isnan(board_width_m)):
        raise UnitError(
            "A length in boards needs the width of a board, and none is known. Board widths "
            "differ from court to court: measure one, then give it where the log is read (a column "
            "board_width_cm of the log or of the matches table, or board_width_cm=7), or where a "
            "gap is shown (board_width_m=0.07)."
        )
    if not 0 < board_width_m < 0.5:
        raise UnitError(
            f"A board width of {board_width_m:g} m is not plausible: give it in metres here "
            "(7 cm is 0.07), or as board_width_cm in a log."
        )
    return float(board_width_m)


def to_metres(value: Length, unit: str, board_width_m: float | None = None) -> Length:
    """Convert a length in any spelling of a unit to metres; missing values stay missing.

    A UnitError if the unit is unknown, or boards are asked for without a width of theirs.
    """
    known = parse_unit(unit)
    if known == "cm":
        return value / 100  # not times 0.01, so that 35 cm is the number 0.35 itself
    return value * _factor(known, board_width_m)


def to_display(gap_m: Length, unit: str = "cm", board_width_m: float | None = None) -> Length:
    """Convert metres to the reader's unit; the inverse of :func:`to_metres`, with its errors."""
    known = parse_unit(unit)
    return gap_m * 100 if known == "cm" else gap_m / _factor(known, board_width_m)


def parse_column(name: str) -> ColumnUnit:
    """Split a column name such as ``gap_cm`` or ``Bounce x (in)`` into quantity and unit.

    >>> parse_column("bounce_x_in")
    ColumnUnit(quantity='bounce_x', unit='in')
    >>> parse_column("Gap (cm)")
    ColumnUnit(quantity='gap', unit='cm')
    >>> parse_column("stroke")
    ColumnUnit(quantity='stroke', unit=None)
    """
    folded = fold_name(name)
    for words in (2, 1):  # "floor_boards" before "boards"
        parts = folded.rsplit("_", words)
        unit = _UNIT_WORDS.get("_".join(parts[1:])) if len(parts) == words + 1 else None
        if unit is not None:
            # "gap in cm": the preposition is not an inch.
            return ColumnUnit(parts[0].removesuffix("_in"), unit)
    return ColumnUnit(folded, None)


def fold_name(name: Any) -> str:
    """Lower case, with every run of other characters than letters and digits as ``_``."""
    return re.sub(r"[\W_]+", "_", str(name).casefold()).strip("_")


def _factor(unit: str, board_width_m: float | None) -> float:
    if unit == "boards":
        return board_width(board_width_m)
    return METRES_IN_AN_INCH if unit == "in" else 1.0


_DECIMALS: Final = {"cm": 0, "in": 0, "m": 2, "boards": 1}


@dataclass(frozen=True)
class GapWords:
    """Writes gaps in metres in the reader's unit; boards need their width."""

    unit: str = "cm"
    board_width_m: float | None = None

    def number(self, gap_m: float) -> str:
        """Write the number alone, rounded to what a coach can use."""
        unit = parse_unit(self.unit)
        value = to_display(float(gap_m), unit, self.board_width_m)
        return f"{value:.{_DECIMALS[unit]}f}"

    def gap(self, gap_m: float) -> str:
        """Write the number and its unit."""
        return f"{self.number(gap_m)} {parse_unit(self.unit)}"

    def signed(self, gap_m: float, finer: int = 0) -> str:
        """Write a difference with its sign; `finer` decimals more than a gap has."""
        unit = parse_unit(self.unit)
        value = to_display(float(gap_m), unit, self.board_width_m)
        return signed(value, _DECIMALS[unit] + finer)

    def interval(self, low_m: float, high_m: float) -> str:
        """Write two ends without repeating the unit."""
        return f"{self.number(low_m)} to {self.number(high_m)}"
