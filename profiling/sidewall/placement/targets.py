"""Targets on the floor, in metres: built from the court's lines, or a user's own."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Bools, check_length_m, read_toml
from sidewall.court import WALLS, Court, Rectangle
from sidewall.errors import DataError
from sidewall.log.vocabulary import STROKES

#: What is usually played to the back and to the front (common practice, no source).
BACK_STROKES: Final = ("drive", "lob")
FRONT_STROKES: Final = ("drop", "kill")

_KEYS: Final = ("name", "x_m", "y_m", "centre_m", "radius_m", "strokes", "wall", "mirror")


class Circle(NamedTuple):
    """A circle on the floor, in metres."""

    x: float
    y: float
    radius: float

    @property
    def centre(self) -> tuple[float, float]:
        """The middle point (x, y), metres."""
        return self.x, self.y


@dataclass(frozen=True)
class Target:
    """A shape on the floor that a ball's first bounce is meant to hit.

    Parameters
    ----------
    name
        What tables and pictures call it.
    shape
        `Rectangle` or `Circle`, metres.
    strokes
        Strokes that are played to it; any if empty.
    wall
        The side wall that it lies at, ``left`` or ``right``, for shots to that wall only; None
        for a target of its own.

    Raises
    ------
    DataError
        If the shape has no size, or a stroke or wall is unknown.

    See Also
    --------
    court_targets
    read_targets
    placement_table

    Examples
    --------
    >>> from sidewall.placement import Circle
    >>> cone = sw.Target("cone", Circle(x=0.4, y=8.2, radius=0.3))
    >>> [bool(one) for one in cone.contains(np.array([0.5, 2.0]), np.array([8.0, 8.0]))]
    [True, False]
    """

    name: str
    shape: Rectangle | Circle
    strokes: tuple[str, ...] = ()
    wall: str | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.shape, Rectangle | Circle):
            raise DataError(
                f"target {self.name!r}: its shape is {self.shape!r}; give a Rectangle or a Circle"
            )
        if not all(isinstance(v, int | float) and math.isfinite(v) for v in self.shape):
            raise DataError(f"target {self.name!r}: every length must be a number of metres")
        shape = self.shape
        size = shape.radius if isinstance(shape, Circle) else min(shape.width, shape.depth)
        if size <= 0:
            raise DataError(
                f"target {self.name!r} has no size ({shape}); write the smaller number first, in "
                "metres"
            )
        strange = [stroke for stroke in self.strokes if stroke not in STROKES]
        if strange:
            raise DataError(
                f"target {self.name!r}: {strange[0]!r} is no stroke; use {', '.join(STROKES)}"
            )
        if self.wall is not None and self.wall not in WALLS:
            raise DataError(f"target {self.name!r}: wall is {self.wall!r}; use left or right")

    @property
    def aim_m(self) -> tuple[float, float]:
        """The middle of the shape (x, y), from which errors are measured."""
        return self.shape.centre

    def contains(self, x_m: ArrayLike, y_m: ArrayLike) -> Bools:
        """Whether points lie inside or on the edge; False where one is missing.

        Parameters
        ----------
        x_m, y_m : ndarray
            Places on the floor, metres.
        """
        x, y = np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float)
        shape = self.shape
        if isinstance(shape, Circle):
            inside = np.hypot(x - shape.x, y - shape.y) <= shape.radius
        else:
            inside = (
                (x >= shape.x_min) & (x <= shape.x_max) & (y >= shape.y_min) & (y <= shape.y_max)
            )
        return np.asarray(inside, dtype=bool)

    def mirrored(self, court: Court, name: str) -> Target:
        """Return the same shape at the other side wall.

        Parameters
        ----------
        court : Court
            Whose middle line is the mirror.
        name : str
            Of the new target.
        """
        shape, width = self.shape, court.width_m
        other: Rectangle | Circle = (
            Circle(width - shape.x, shape.y, shape.radius)
            if isinstance(shape, Circle)
            else Rectangle(width - shape.x_max, shape.y_min, width - shape.x_min, shape.y_max)
        )
        wall = {"left": "right", "right": "left"}.get(self.wall or "")
        return Target(name, other, self.strokes, wall)


def court_targets(
    court: Court | None = None, *, width_m: float | None = None, depth_m: float = 1.2
) -> list[Target]:
    """Four corners from the court's own lines: two for length and two for the short ball.

    Parameters
    ----------
    court
        The court; singles if None.
    width_m
        Extent from the side wall; half a service box if None.
    depth_m
        Extent along the side wall: behind the service box's back line, and from the front wall.

    Returns
    -------
    list of Target
        Back left and right, for drives and lobs; front left and right, for drops and kills.

    See Also
    --------
    read_targets
    Target
    placement_table

    Notes
    -----
    A good length bounces just behind the service box (common practice, no source). Neither
    the size nor the front corners have a source: choose what the player trains.

    Examples
    --------
    >>> [target.name for target in sw.court_targets()]
    ['back left', 'back right', 'front left', 'front right']
    """
    court = court or Court()
    width = court.service_box_m / 2
    if width_m is not None:
        width = check_length_m(width_m, "width_m", court.width_m)
    check_length_m(depth_m, "depth_m", court.length_m)
    behind = court.service_box_back_y_m + court.line_width_m
    back = Rectangle(0.0, behind, width, min(behind + depth_m, court.length_m))
    front = Rectangle(0.0, 0.0, width, depth_m)
    found = []
    for place, shape, strokes in (("back", back, BACK_STROKES), ("front", front, FRONT_STROKES)):
        left = Target(f"{place} left", shape, strokes, "left")
        found += [left, left.mirrored(court, f"{place} right")]
    return found


def read_targets(source: str | os.PathLike[str], court: Court | None = None) -> list[Target]:
    r"""Read a user's own targets from a TOML file.

    Each target is a table ``[[target]]`` with a ``name`` and either a rectangle (``x_m`` and
    ``y_m``, each from and to) or a circle (``centre_m`` and ``radius_m``). It may name the
    ``strokes`` that are played to it and the ``wall`` that it lies at. ``mirror = true`` adds
    the same at the other wall; the two are then called "... left" and "... right"::

        [[target]]
        name = "tight length"
        x_m = [0.0, 0.4]
        y_m = [7.2, 8.4]
        strokes = ["drive"]
        mirror = true

    Parameters
    ----------
    source
        The file.
    court
        The court that the targets must fit into; singles if None.

    Raises
    ------
    DataError
        If the file is missing or no TOML, or a target is incomplete, contradictory or off the
        court.

    See Also
    --------
    court_targets
    Target

    Examples
    --------
    >>> from pathlib import Path
    >>> words = '[[target]]\nname = "cone"\ncentre_m = [0.4, 8.2]\nradius_m = 0.3'
    >>> bytes_written = Path("targets.toml").write_text(words)
    >>> [target.name for target in sw.read_targets("targets.toml")]
    ['cone']
    """
    path, court = Path(source), court or Court()
    table = read_toml(path, "the file of targets")
    entries = table.get("target")
    if not isinstance(entries, list) or not entries:
        raise DataError(f"{path.name}: there is no target; write one as a table [[target]]")
    found: list[Target] = []
    for place, entry in enumerate(entries, 1):
        found += _targets_of(entry, f"{path.name}, target {place}", court)
    return check_targets(found, path.name)


def check_targets(targets: Iterable[Target], source: str = "targets") -> list[Target]:
    """Return the targets as a list if there is one, and no name occurs twice."""
    found = list(targets)
    names = [target.name for target in found]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise DataError(f"{source}: two targets are called {twice[0]!r}; give each its own name")
    if not found:
        raise DataError(f"{source}: there is no target; sw.court_targets() gives four")
    return found


def _targets_of(entry: Any, where: str, court: Court) -> list[Target]:
    if not isinstance(entry, Mapping):
        raise DataError(f"{where}: write it as a table [[target]]")
    strange = [key for key in entry if key not in _KEYS]
    if strange:
        raise DataError(f"{where}: {strange[0]!r} is not known; use {', '.join(_KEYS)}")
    name = entry.get("name")
    if not isinstance(name, str) or not name.strip():
        raise DataError(f"{where}: it has no name; add name = ...")
    shape = _shape(entry, f"{where} ({name})")
    _on_court(shape, court, f"{where} ({name})")
    wall = entry.get("wall")
    x, _ = shape.centre
    mirror = bool(entry.get("mirror", False))
    if mirror and wall is None:
        wall = "left" if x < court.half_width_m else "right"
    strokes = entry.get("strokes", [])
    if not isinstance(strokes, list):
        raise DataError(f'{where} ({name}): write strokes as a list, such as ["drive"]')
    one = Target(f"{name} {wall}" if mirror else name, shape, tuple(strokes), wall)
    if not mirror:
        return [one]
    other = {"left": "right", "right": "left"}[str(wall)]
    return [one, one.mirrored(court, f"{name} {other}")]


def _shape(entry: Mapping[str, Any], where: str) -> Rectangle | Circle:
    box = {"x_m", "y_m"} <= set(entry)
    disc = {"centre_m", "radius_m"} <= set(entry)
    if box == disc:
        raise DataError(
            f"{where}: give either x_m and y_m (a rectangle) or centre_m and radius_m (a circle)"
        )
    if box:
        (x0, x1), (y0, y1) = (_numbers(entry[key], 2, f"{where}, {key}") for key in ("x_m", "y_m"))
        return Rectangle(x0, y0, x1, y1)
    x, y = _numbers(entry["centre_m"], 2, f"{where}, centre_m")
    (radius,) = _numbers([entry["radius_m"]], 1, f"{where}, radius_m")
    return Circle(x, y, radius)


def _numbers(value: Any, count: int, where: str) -> Sequence[float]:
    good = isinstance(value, list) and len(value) == count
    if not good or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value):
        raise DataError(f"{where} is {value!r}; write {count} number(s) of metres")
    return [float(v) for v in value]


def _on_court(shape: Rectangle | Circle, court: Court, where: str) -> None:
    x, y = shape.centre
    # The middle decides: a circle around a corner may reach over the walls.
    if not court.floor.contains(x, y):
        raise DataError(
            f"{where}: its middle ({x:g}, {y:g}) is off the court of {court.width_m:g} by "
            f"{court.length_m:g} m; lengths are in metres"
        )
