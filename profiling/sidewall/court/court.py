"""The court: its lines and heights, in metres, and what follows from them.

Origin of the coordinates: the front-left floor corner seen from behind the court. ``x``
runs to the right along the front wall, ``y`` away from the front wall, ``z`` upwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import NamedTuple

from sidewall.errors import UnitError


class Rectangle(NamedTuple):
    """A rectangle on the floor, in metres: from (x_min, y_min) to (x_max, y_max)."""

    x_min: float
    y_min: float
    x_max: float
    y_max: float

    @property
    def width(self) -> float:
        """Extent along x, metres."""
        return self.x_max - self.x_min

    @property
    def depth(self) -> float:
        """Extent along y, metres."""
        return self.y_max - self.y_min

    @property
    def centre(self) -> tuple[float, float]:
        """The middle point (x, y), metres."""
        return (self.x_min + self.x_max) / 2, (self.y_min + self.y_max) / 2

    def contains(self, x_m: float, y_m: float) -> bool:
        """Whether the point lies inside the rectangle or on its edge."""
        return self.x_min <= x_m <= self.x_max and self.y_min <= y_m <= self.y_max


@dataclass(frozen=True, kw_only=True)
class Court:
    """Dimensions of a squash court, in metres, as a specification prints them.

    A printed number measures one edge of a painted line, not its middle, so each field
    says which edge it means. The defaults are the singles court of the World Squash
    Federation, *Specifications for Squash Courts*.

    Parameters
    ----------
    length_m, width_m
        Between the plaster surfaces of facing walls.
    front_wall_line_m, back_wall_line_m
        Height of the lower edge of the out line on the front and on the back wall.
    service_line_m
        Height of the lower edge of the service line on the front wall.
    tin_height_m
        Height of the upper edge of the tin: 0.480, or 0.430 in professional play.
    short_line_m
        From the back wall to the nearest edge of the short line.
    service_box_m
        Inside side of the square service box.
    line_width_m
        Width of every painted line.
    clear_height_m
        Least clear height above the floor.

    Raises
    ------
    UnitError
        If a dimension is not a positive number of metres, or the lines are out of order.

    See Also
    --------
    plot_court
    plot_front_wall
    court_targets

    Examples
    --------
    >>> court = sw.Court(tin_height_m=0.43)
    >>> round(court.short_line_y_m, 2)
    5.49
    """

    length_m: float = 9.750
    width_m: float = 6.400
    front_wall_line_m: float = 4.570
    back_wall_line_m: float = 2.130
    service_line_m: float = 1.780
    tin_height_m: float = 0.480
    short_line_m: float = 4.260
    service_box_m: float = 1.600
    line_width_m: float = 0.050
    clear_height_m: float = 5.640

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (isinstance(value, int | float) and math.isfinite(value) and value > 0):
                raise UnitError(
                    f"Court: {field.name} is {value}; give a positive number of metres."
                )
        ordered = {
            "tin_height_m < service_line_m": self.tin_height_m < self.service_line_m,
            "service_line_m < front_wall_line_m": self.service_line_m < self.front_wall_line_m,
            "front_wall_line_m <= clear_height_m": self.front_wall_line_m <= self.clear_height_m,
            "short_line_m + line_width_m < length_m": (
                self.short_line_m + self.line_width_m < self.length_m
            ),
            "service_box_m + line_width_m < short_line_m": (
                self.service_box_m + self.line_width_m < self.short_line_m
            ),
            "2 (service_box_m + line_width_m) < width_m": (
                2 * (self.service_box_m + self.line_width_m) < self.width_m
            ),
        }
        for rule, holds in ordered.items():
            if not holds:
                raise UnitError(
                    f"Court: {rule} does not hold. All dimensions are in metres: "
                    "divide centimetres by 100."
                )

    @classmethod
    def doubles(cls, width_m: float = 7.62, tin_height_m: float = 0.48) -> Court:
        """Doubles court: the singles lines on a width of 7.62 m (8.42 m at some events).

        Parameters
        ----------
        width_m : float, default 7.62
            Between the side walls.
        tin_height_m : float, default 0.48
            Height of the upper edge of the tin.
        """
        return cls(width_m=width_m, tin_height_m=tin_height_m)

    @property
    def half_width_m(self) -> float:
        """Half the width: the largest possible gap to the nearest side wall."""
        return self.width_m / 2

    @property
    def half_court_line_x_m(self) -> float:
        """``x`` of the middle of the half-court line."""
        return self.width_m / 2

    @property
    def short_line_y_m(self) -> float:
        """``y`` of the edge of the short line that faces the back wall."""
        return self.length_m - self.short_line_m

    @property
    def service_box_back_y_m(self) -> float:
        """``y`` of the inside back edge of the service boxes."""
        return self.short_line_y_m + self.service_box_m

    @property
    def floor(self) -> Rectangle:
        """The whole floor."""
        return Rectangle(0.0, 0.0, self.width_m, self.length_m)

    @property
    def service_boxes(self) -> dict[str, Rectangle]:
        """Inside of the ``left`` and ``right`` service boxes."""
        near, far, side = self.short_line_y_m, self.service_box_back_y_m, self.service_box_m
        return {
            "left": Rectangle(0.0, near, side, far),
            "right": Rectangle(self.width_m - side, near, self.width_m, far),
        }

    @property
    def t_m(self) -> tuple[float, float]:
        """The T: where the half-court line meets the short line (middle of the line)."""
        return self.half_court_line_x_m, self.short_line_y_m - self.line_width_m / 2


def court_lines(court: Court) -> dict[str, Rectangle]:
    """Every painted line of the floor by its name: the rectangle of paint that it is, in metres."""
    paint, width = court.line_width_m, court.width_m
    short, half = court.short_line_y_m, court.half_court_line_x_m
    left, right = court.service_boxes["left"], court.service_boxes["right"]
    outer = left.y_max + paint
    return {
        # The printed distance is to the edge nearest the back wall.
        "short line": Rectangle(0.0, short - paint, width, short),
        "half-court line": Rectangle(half - paint / 2, short, half + paint / 2, court.length_m),
        # The printed side of a box is its inside, so its lines lie around it.
        "left box, side": Rectangle(left.x_max, left.y_min, left.x_max + paint, outer),
        "left box, back": Rectangle(0.0, left.y_max, left.x_max, outer),
        "right box, side": Rectangle(right.x_min - paint, right.y_min, right.x_min, outer),
        "right box, back": Rectangle(right.x_min, right.y_max, width, outer),
    }
