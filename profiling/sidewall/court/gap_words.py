"""Gaps written in the unit that the reader thinks in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sidewall.court.units import parse_unit, to_display

_DECIMALS: Final = {"cm": 0, "in": 0, "m": 2, "boards": 1}


@dataclass(frozen=True)
class GapWords:
    """Writes gaps in metres in the reader's unit.

    Parameters
    ----------
    unit : str
        cm, m, in or boards.
    board_width_m : float or None
        Needed for boards.
    """

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

    def interval(self, low_m: float, high_m: float) -> str:
        """Write two ends without repeating the unit."""
        return f"{self.number(low_m)} to {self.number(high_m)}"
