"""Zones of the floor, built from the court's own lines, and the side walls.

Depth is ``front``, ``middle`` or ``back``; lane is ``left``, ``centre`` or ``right``, as
seen from behind the court. Two more coarse words: where the opponent is, seen from the
striker, and where a ball first bounces, seen from the service boxes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, overload

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import Floats, Ints
from sidewall.court.court import Court, Rectangle
from sidewall.errors import DataError, UnitError

DEPTHS: Final = ("front", "middle", "back")
LANES: Final = ("left", "centre", "right")
WALLS: Final = ("left", "right")
OPPONENT_PLACES: Final = ("in_front", "behind", "out_of_the_way")
BOUNCES: Final = ("short", "service_box", "behind_box")
_WALL_OF: Final = {
    ("forehand", "right"): "right",
    ("backhand", "right"): "left",
    ("forehand", "left"): "left",
    ("backhand", "left"): "right",
}


@dataclass(frozen=True)
class Zones:
    """Nine zones: three depths by three lanes, and the bounds of the other coarse words.

    By default the middle reaches one service box in front of the short line and one behind
    it, so that the back is the floor behind the service boxes, and a side lane is as wide
    as a service box (common practice, no source).

    Parameters
    ----------
    court
        The court; singles by default.
    front_ends_m, back_begins_m
        ``y`` at which the front ends and at which the back begins, in metres.
    side_lane_m
        Width of the left and of the right lane, in metres.
    level_m
        An opponent no more than so far nearer to the front wall, or farther from it, than the
        striker is level with the striker, in metres (0.5; common practice, no source).
    far_across_m
        An opponent farther than this to the side of the striker is out of the way, whatever
        the depth, in metres. Half the width of the court by default, so that nobody on the
        half-court line is out of the way of a ball in a corner (common practice, no source).

    Raises
    ------
    UnitError
        If the boundaries are out of order or off the court.
    """

    court: Court = field(default_factory=Court)
    front_ends_m: float | None = None
    back_begins_m: float | None = None
    side_lane_m: float | None = None
    level_m: float = 0.5
    far_across_m: float | None = None

    def __post_init__(self) -> None:
        court = self.court
        defaults = {
            "front_ends_m": court.short_line_y_m - court.service_box_m,
            "back_begins_m": court.service_box_back_y_m,
            "side_lane_m": court.service_box_m,
            "far_across_m": court.half_width_m,
        }
        for name, value in defaults.items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, value)
        front, back = self.depth_edges_m
        if not 0 < front < back < court.length_m:
            raise UnitError(
                f"Zones: the front ends at {front:g} m and the back begins at {back:g} m; they "
                f"must follow each other between 0 and {court.length_m:g} m."
            )
        if not 0 < self.lane_edges_m[0] < court.half_width_m:
            raise UnitError(
                f"Zones: a side lane of {self.lane_edges_m[0]:g} m does not fit twice on a width "
                f"of {court.width_m:g} m."
            )
        assert self.far_across_m is not None
        if not (0 <= self.level_m < court.length_m and self.far_across_m > 0):
            raise UnitError(
                f"Zones: level_m is {self.level_m:g} and far_across_m {self.far_across_m:g}; give "
                "metres, the first from 0 and the second above 0."
            )

    @property
    def depth_edges_m(self) -> tuple[float, float]:
        """``y`` where the middle and where the back begin."""
        assert self.front_ends_m is not None
        assert self.back_begins_m is not None
        return self.front_ends_m, self.back_begins_m

    @property
    def lane_edges_m(self) -> tuple[float, float]:
        """``x`` where the centre and where the right lane begin."""
        assert self.side_lane_m is not None
        return self.side_lane_m, self.court.width_m - self.side_lane_m

    def rectangles(self) -> dict[tuple[str, str], Rectangle]:
        """Return the nine zones, keyed (depth, lane), front to back and left to right."""
        ys = (0.0, *self.depth_edges_m, self.court.length_m)
        xs = (0.0, *self.lane_edges_m, self.court.width_m)
        return {
            (depth, lane): Rectangle(xs[j], ys[i], xs[j + 1], ys[i + 1])
            for i, depth in enumerate(DEPTHS)
            for j, lane in enumerate(LANES)
        }

    def zone_of(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[pd.Categorical, pd.Categorical]:
        """Depth and lane of each point, (n,), metres; missing where it is missing or off the floor.

        A point on a boundary belongs to the zone behind or to the right of it.
        """
        x, y = _vector(x_m), _vector(y_m)
        inside = (x >= 0) & (x <= self.court.width_m) & (y >= 0) & (y <= self.court.length_m)
        depth = np.where(inside, np.searchsorted(self.depth_edges_m, y, side="right"), -1)
        lane = np.where(inside, np.searchsorted(self.lane_edges_m, x, side="right"), -1)
        return _categorical(depth, DEPTHS), _categorical(lane, LANES)

    def opponent_place(self, across_m: ArrayLike, behind_m: ArrayLike) -> pd.Categorical:
        """Where the opponent is, seen from the striker, (n,); missing where either is missing.

        `across_m` is the distance to the side, of either sign, `behind_m` how much farther from the
        front wall the opponent is, below 0 nearer. ``out_of_the_way`` if farther to the side than
        ``far_across_m`` or level within ``level_m``, else ``in_front`` or ``behind``.
        """
        across, behind = np.abs(_vector(across_m)), _vector(behind_m)
        away = (across > self.far_across_m) | (np.abs(behind) <= self.level_m)
        codes = np.select([np.isnan(across + behind), away, behind < 0], [-1, 2, 0], 1)
        return _categorical(codes, OPPONENT_PLACES)

    def bounce_of(self, y_m: ArrayLike) -> pd.Categorical:
        """Where a ball bounces: short of the service boxes, level with them, or behind them.

        `y_m` is the distance from the front wall; missing where that is missing or off the floor.
        """
        y = _vector(y_m)
        edges = self.court.short_line_y_m, self.court.service_box_back_y_m
        inside = (y >= 0) & (y <= self.court.length_m)
        return _categorical(np.where(inside, np.searchsorted(edges, y, "right"), -1), BOUNCES)


def gap_from_x(x_m: ArrayLike, court: Court | None = None) -> tuple[Floats, pd.Categorical]:
    """Distance to the nearest side wall, metres, and which wall that is, from that to the left one.

    Both are missing where ``x`` is missing or off the floor; the wall, ``left`` or ``right``, also
    exactly on the middle of the court.
    """
    width = (court or Court()).width_m
    x = _vector(x_m)
    x = np.where((x >= 0) & (x <= width), x, np.nan)
    left, right = x, width - x
    codes = np.select([left < right, right < left], [0, 1], default=-1)
    wall = _categorical(codes, WALLS)
    return np.minimum(left, right), wall


@overload
def wall_of(side: str, hand: str) -> str: ...
@overload
def wall_of(side: Any, hand: Any) -> pd.Categorical: ...
def wall_of(side: Any, hand: Any) -> str | pd.Categorical:
    """Side wall, ``left`` or ``right``, that a player's forehand or backhand side faces.

    A right-hander's forehand is on the right wall and a left-hander's on the left. A word for two
    words, else a Categorical, missing where either is missing; a DataError for any other word.
    """
    if isinstance(side, str) and isinstance(hand, str):
        if (side, hand) not in _WALL_OF:
            raise DataError(
                f"No wall for side {side!r} and hand {hand!r}: the side is forehand or backhand, "
                "the hand right or left."
            )
        return _WALL_OF[side, hand]
    length = len(hand) if isinstance(side, str) else len(side)
    sides = _codes(side, ("backhand", "forehand"), "side", length)
    hands = _codes(hand, ("left", "right"), "hand", length)
    # Forehand and right-handed, or neither: the right wall.
    codes = np.where((sides < 0) | (hands < 0), -1, (sides == hands).astype(np.int64))
    return _categorical(codes, WALLS)


def _codes(words: Any, known: tuple[str, ...], what: str, length: int) -> Ints:
    values = pd.Series([words] * length if isinstance(words, str) else words)
    codes = pd.Index(known).get_indexer(pd.Index(values)).astype(np.int64)
    strange = values[(codes < 0) & values.notna().to_numpy()]
    if len(strange):
        raise DataError(f"{what}: {strange.iloc[0]!r} is none of {', '.join(known)}.")
    return codes


def _categorical(codes: Ints, words: tuple[str, ...]) -> pd.Categorical:
    built: Any = pd.Categorical.from_codes(codes.astype(np.int8), categories=pd.Index(words))
    return built


def _vector(values: ArrayLike) -> Floats:
    return np.atleast_1d(np.asarray(values, dtype=np.float64))
