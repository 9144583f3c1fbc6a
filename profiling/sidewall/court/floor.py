"""The floor of a court: drawn to scale, and as a camera that stands still sees it.

A plane seen through a pinhole is a homography: eight numbers, which four points settle
(Hartley & Zisserman, *Multiple View Geometry in Computer Vision*, chapter 4). So four clicks on
known points of the floor turn every later click on the floor into a place on the court.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np

from sidewall.arguments import Floats
from sidewall.court.court import Court, court_lines
from sidewall.errors import DataError

#: A click is taken to be this good, in pixels of the screen (an assumption: one standard error).
CLICK_PX: Final = 2.0
#: Three points nearer to a line than this share of the frame's width say too little.
_NEARLY_A_LINE: Final = 0.01
_STEP_PX: Final = 0.5  # for slopes by differences
_HIGHEST_CAMERA_M: Final = 20.0


def floor_drawing(court: Court) -> dict[str, Any]:
    """Plain numbers of the floor: ``width``, ``length``, lines, points, and the ``wall``, metres.

    ``lines`` have name, x, y, width and depth; ``points`` name, x and y in the order in which they
    are asked for; ``wall`` the heights on the front wall.
    """
    return {
        "width": court.width_m,
        "length": court.length_m,
        "lines": [
            {
                "name": name,
                "x": line.x_min,
                "y": line.y_min,
                "width": line.width,
                "depth": line.depth,
            }
            for name, line in court_lines(court).items()
        ],
        "points": [{"name": name, "x": x, "y": y} for name, (x, y) in known_points(court).items()],
        "wall": {
            "tin": court.tin_height_m,
            "service": court.service_line_m,
            "out": court.front_wall_line_m,
            "paint": court.line_width_m,
        },
        "t": list(court.t_m),
    }


def known_points(court: Court) -> dict[str, tuple[float, float]]:
    """Points of the floor that can be found in a picture, as x and y in metres.

    Lines count by their middle, for that is what one clicks. The first four are asked for
    unless others are chosen: they lie wide apart and most cameras see them.
    """
    half_paint = court.line_width_m / 2
    left, right, back, short = 0.0, court.width_m, court.length_m, court.t_m[1]
    box = court.service_box_back_y_m + half_paint
    inner = court.service_box_m + half_paint
    return {
        "front left corner": (left, 0.0),
        "front right corner": (right, 0.0),
        "right box, back line at the wall": (right, box),
        "left box, back line at the wall": (left, box),
        "back right corner": (right, back),
        "back left corner": (left, back),
        "short line at the right wall": (right, short),
        "short line at the left wall": (left, short),
        "T": court.t_m,
        "right box, inner back corner": (right - inner, box),
        "left box, inner back corner": (inner, box),
        "half-court line at the back wall": (court.half_court_line_x_m, back),
    }


@dataclass(frozen=True)
class FloorView:
    """The floor as a camera sees it that neither moves nor zooms.

    Parameters
    ----------
    points
        The four points it was fitted to: ``name``, one of `known_points`; ``u`` and ``v``, its
        place in the picture, pixels from the left and from the top; ``px``, the standard error
        of that click, pixels.
    frame
        Width and height of the picture, pixels.
    court
        The court.

    Raises
    ------
    DataError
        If the points do not settle the view: not four, three on a line, or in another order
        than on a court that is filmed from behind.

    Examples
    --------
    >>> asked = ["front left corner", "front right corner", "back right corner",
    ...          "back left corner"]
    >>> clicked = [(400, 300), (880, 300), (1180, 680), (100, 680)]
    >>> points = [{"name": n, "u": u, "v": v, "px": 2} for n, (u, v) in zip(asked, clicked)]
    >>> x_m, y_m = FloorView(points, (1280, 720), Court()).place(640, 300)
    >>> round(x_m, 3), round(abs(y_m), 3)
    (3.2, 0.0)
    """

    points: Sequence[Mapping[str, Any]]
    frame: tuple[int, int]
    court: Court

    def __post_init__(self) -> None:
        known = known_points(self.court)
        names = [str(point.get("name")) for point in self.points]
        strange = [name for name in names if name not in known]
        if strange:
            raise DataError(f"The court has no point {strange[0]!r}: use {', '.join(known)}.")
        if len(names) != 4 or len(set(names)) != 4:
            raise DataError(f"Four different points are needed, not {', '.join(names) or 'none'}.")
        pixels = np.array([[point["u"], point["v"]] for point in self.points], dtype=np.float64)
        errors = np.array([point["px"] for point in self.points], dtype=np.float64)
        if not (np.isfinite(pixels).all() and np.isfinite(errors).all() and (errors > 0).all()):
            raise DataError("The places of the four points in the picture must be numbers.")
        metres = np.array([known[name] for name in names])
        _refuse_lines(names, metres, pixels, self.frame[0])
        _refuse_order(metres, pixels)
        object.__setattr__(self, "_pixels", pixels)
        object.__setattr__(self, "_metres", metres)
        object.__setattr__(self, "_errors", errors)
        _refuse_turned(self.to_picture, metres)

    @property
    def to_floor(self) -> Floats:
        """The homography from pixels to metres on the floor, shape (3, 3)."""
        return _homography(self._pixels, self._metres)  # type: ignore[attr-defined]

    @property
    def to_picture(self) -> Floats:
        """The homography from metres on the floor to pixels, shape (3, 3)."""
        return _homography(self._metres, self._pixels)  # type: ignore[attr-defined]

    def place(self, u_px: float, v_px: float) -> tuple[float, float]:
        """Place on the floor under a pixel, ``x`` and ``y`` in metres.

        A DataError if the pixel lies at or above the horizon of the floor.
        """
        found = self._place(np.array([u_px, v_px]), self._pixels)  # type: ignore[attr-defined]
        if found is None:
            raise DataError("That is above the floor's horizon: click on the floor.")
        return float(found[0]), float(found[1])

    def places(self, pixels: Floats) -> Floats:
        """Places on the floor under many pixels, metres, shape (n, 2); missing in the air."""
        found = np.column_stack([pixels, np.ones(len(pixels))]) @ self.to_floor.T
        middle = self.to_floor @ np.array([*self._pixels.mean(axis=0), 1.0])  # type: ignore[attr-defined]
        with np.errstate(divide="ignore", invalid="ignore"):
            floor: Floats = np.where(
                found[:, 2:] * middle[2] > 0, found[:, :2] / found[:, 2:], np.nan
            )
        return floor

    def error_m(self, u_px: float, v_px: float, click_px: float) -> tuple[float, float]:
        """Standard errors of the place under a pixel, along x and y, metres.

        They carry the error of this click, `click_px` along each axis, and of the four clicks on
        the known points, each passed on by the slope of the place (the delta method). They know
        nothing of a lens that bends lines, of a camera that has moved, or of a ball in the air.
        """
        pixels, errors = self._pixels, self._errors  # type: ignore[attr-defined]
        at = np.array([u_px, v_px])
        slopes, spread = [], []
        for axis in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
            step = _STEP_PX * axis
            slopes.append(self._slope(at + step, pixels, at - step, pixels))
            spread.append(click_px)
            for point in range(4):
                moved = np.zeros((4, 2))
                moved[point] = step
                slopes.append(self._slope(at, pixels + moved, at, pixels - moved))
                spread.append(errors[point])
        error = np.sqrt(((np.array(slopes) * np.array(spread)[:, None]) ** 2).sum(axis=0))
        return float(error[0]), float(error[1])

    def camera_m(self) -> tuple[float, float, float] | None:
        """Where the camera stands, x, y and height in metres, or None if that is not clear.

        It is taken for a pinhole with square pixels that looks through the middle of the
        picture; then the homography gives its focal length and place (Zhang 2000, IEEE
        Transactions on Pattern Analysis and Machine Intelligence 22:1330-1334).
        """
        centre = np.array(
            [[1.0, 0.0, -self.frame[0] / 2], [0.0, 1.0, -self.frame[1] / 2], [0.0, 0.0, 1.0]]
        )
        one, two, three = (centre @ self.to_picture).T
        near = np.array([one[:2] @ two[:2], one[:2] @ one[:2] - two[:2] @ two[:2]])
        far = np.array([one[2] * two[2], one[2] ** 2 - two[2] ** 2])
        if not near @ near:
            return None
        inverse_square = -(near @ far) / (near @ near)
        if inverse_square <= 0:
            return None
        focal = 1 / math.sqrt(inverse_square)
        across, along, away = (
            np.array([*(column[:2] / focal), column[2]]) for column in (one, two, three)
        )
        size = (np.linalg.norm(across) + np.linalg.norm(along)) / 2
        across, along, away = across / size, along / size, away / size
        turn = np.column_stack([across, along, np.cross(across, along)])
        x, y, depth = np.linalg.solve(turn, -away)
        height = abs(float(depth))
        return (float(x), float(y), height) if 0 < height < _HIGHEST_CAMERA_M else None

    def lift_m(self, x_m: float, y_m: float, height_m: float) -> tuple[float, float] | None:
        """How far a click misleads if the ball was in the air, along x and y, metres.

        A ball that seems to lie on the floor at (x, y) but is ``height_m`` above it is really
        that much nearer to the camera. None where the camera's place is not clear.
        """
        camera = self.camera_m()
        if camera is None or camera[2] <= height_m:
            return None
        share = height_m / camera[2]
        return share * (x_m - camera[0]), share * (y_m - camera[1])

    def _place(self, at: Floats, pixels: Floats) -> Floats | None:
        matrix = _homography(pixels, self._metres)  # type: ignore[attr-defined]
        found = matrix @ np.array([at[0], at[1], 1.0])
        # Beyond the horizon the third number changes its sign against that of the known points.
        middle = matrix @ np.array([*pixels.mean(axis=0), 1.0])
        return None if found[2] * middle[2] <= 0 else found[:2] / found[2]

    def _slope(self, ahead: Floats, pixels_ahead: Floats, behind: Floats, pixels: Floats) -> Floats:
        high, low = self._place(ahead, pixels_ahead), self._place(behind, pixels)
        if high is None or low is None:
            return np.array([np.inf, np.inf])
        return (high - low) / (2 * _STEP_PX)


def _homography(source: Floats, target: Floats) -> Floats:
    """Homography that takes four points to four others, shape (3, 3), its last number 1.

    Both sets are first moved to their middle and scaled, which keeps the eight equations well
    behaved (Hartley 1997, "In defense of the eight-point algorithm").
    """
    from_shape, to_shape = _standard(source), _standard(target)
    moved, aimed = _apply(from_shape, source), _apply(to_shape, target)
    equations, right = [], []
    for (u, v), (x, y) in zip(moved, aimed, strict=True):
        equations.append([u, v, 1, 0, 0, 0, -x * u, -x * v])
        equations.append([0, 0, 0, u, v, 1, -y * u, -y * v])
        right += [x, y]
    eight = np.linalg.solve(np.array(equations), np.array(right))
    matrix = np.linalg.inv(to_shape) @ np.array([*eight, 1.0]).reshape(3, 3) @ from_shape
    normed: Floats = matrix / matrix[2, 2]
    return normed


def _standard(points: Floats) -> Floats:
    middle = points.mean(axis=0)
    scale = math.sqrt(2) / np.linalg.norm(points - middle, axis=1).mean()
    return np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])


def _apply(matrix: Floats, points: Floats) -> Floats:
    found = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    flat: Floats = found[:, :2] / found[:, 2:]
    return flat


def _turn(triple: Floats) -> float:
    """Twice the signed area of a triangle."""
    (ax, ay), (bx, by), (cx, cy) = triple
    return float((bx - ax) * (cy - ay) - (by - ay) * (cx - ax))


def _height(triple: Floats) -> float:
    """Least height of a triangle: how far its three points are from lying on a line."""
    sides = np.linalg.norm(triple - np.roll(triple, 1, axis=0), axis=1)
    return abs(_turn(triple)) / max(float(sides.max()), 1e-12)


def _refuse_lines(names: list[str], metres: Floats, pixels: Floats, width: int) -> None:
    for three in combinations(range(4), 3):
        at = list(three)
        listed = "; ".join(names[one] for one in at)
        if _height(metres[at]) < 0.01:
            raise DataError(
                f"Three of the four points lie on one line of the court ({listed}). Choose one of "
                "them elsewhere."
            )
        if _height(pixels[at]) < _NEARLY_A_LINE * width:
            raise DataError(
                f"Three of the four clicks lie nearly on one line ({listed}). Click them again, or "
                "choose points that lie wider apart in the picture."
            )


def _refuse_order(metres: Floats, pixels: Floats) -> None:
    threes = [list(three) for three in combinations(range(4), 3)]
    agree = [_turn(metres[at]) * _turn(pixels[at]) > 0 for at in threes]
    if not any(agree):
        raise DataError(
            "The four clicks are in mirror order: left and right, or front and back, are "
            "exchanged. Click them again in the order asked. A mirrored video cannot be used."
        )
    if not all(agree):
        raise DataError(
            "The four clicks are in another order than asked: their lines cross. Click them again "
            "in the order asked."
        )


def _refuse_turned(to_picture: Floats, metres: Floats) -> None:
    """Left to right on the court must run so in the picture, and front to back downwards."""
    middle = metres.mean(axis=0)
    ends = middle + np.array([[0, 0], [0.01, 0], [0, 0.01]])
    here, across, along = _apply(to_picture, ends)
    (u, v), down = across - here, (along - here)[1]
    if u <= abs(v) or down <= 0:
        raise DataError(
            "The four clicks turn the court round: the left of the court must lie left in the "
            "picture and its front farther up. Click them again in the order asked; the camera "
            "must look from behind the court."
        )
