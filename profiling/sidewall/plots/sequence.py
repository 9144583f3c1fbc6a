"""A combination drawn on the court to scale, numbered, with its sentence beside.

Shots are struck and go where the steps say, as far as they do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import FancyArrowPatch

from sidewall.arguments import check_kind
from sidewall.court.court import Court
from sidewall.plots.court import plot_court
from sidewall.plots.frame import frame, lines
from sidewall.plots.style import INK, MUTED, PAPER, QUIET, new_axes
from sidewall.plots.words import capital, drawable, plain

if TYPE_CHECKING:
    from sidewall.combinations.combination import Combination
    from sidewall.combinations.step import Step


Place = tuple[float, float]
#: Depth and lane.
Zone = tuple[str, str]

#: Usual places as parts of the court's width (from the left) and length (from the front).
_LANES: Final = {"left": 0.12, "centre": 0.5, "right": 0.88}
_DEPTHS: Final = {"front": 0.14, "middle": 0.55, "back": 0.86}
#: Balls met in the middle of the court: volleys nearer the wall and further up.
_IN_THE_AIR: Final = (0.2, 0.45)
_BOUNCED: Final = (0.36, 0.63)
_CORNERS: Final = tuple((depth, lane) for depth in ("front", "back") for lane in ("left", "right"))
_GOES: Final = {
    "serve": "back",
    "drive": "back",
    "lob": "back",
    "drop": "front",
    "kill": "front",
    "boast": "front",
}
#: Between numbers closer than this, in metres, no arrow would be seen.
_APART_M: Final = 1.35
#: An arrow this near a number would touch it.
_CLEAR_M: Final = 0.6
#: Shorter arrows are bent more.
_SHORT_M: Final = 2.0
_BENDS: Final = (0.12, 0.3, -0.12, -0.3, 0.45, -0.45)


@dataclass(frozen=True)
class Places:
    """Places of the steps, in metres on the floor: where each is struck, and where each ball goes.

    That is where the next step is struck, for the last where it bounces. `bend` is how far each
    arrow is bent, so that arrows to and fro do not cover each other.
    """

    struck: list[Place]
    goes_to: list[Place]
    bend: list[float]


def places_of(steps: Sequence[Step], court: Court) -> Places:
    """Work out the places of a combination.

    What a step asks (zone of the contact, of the bounce, forehand or backhand, room to the
    opponent) comes first; what it leaves open is filled with the usual place of the
    stroke: drives and lobs go back, drops and kills to the front, straight unless a
    direction is asked; the player steps in and meets balls in the middle of the court, the
    opponent is sent to the corners.
    """
    zones = [_first(steps[0])]
    for k, step in enumerate(steps):
        after = steps[k + 1] if k + 1 < len(steps) else None
        stood = zones[k - 1] if k else ("middle", "centre")
        zones.append(_goes_to(step, after, zones[k], stood, court))
    spots: list[Place] = []
    for zone, struck_by in zip(zones, [*steps, None], strict=True):
        spots.append(_free(_metres(zone, struck_by, court), spots, court))
    return Places(spots[:-1], spots[1:], [_bend(spots, k) for k in range(len(steps))])


def _first(step: Step) -> Zone:
    asked = step.conditions
    if "serve" in asked.get("stroke", ()):
        return _one(asked, "depth", "middle"), _one(asked, "lane", "right")
    return _one(asked, "depth", _met(step, "back")), _one(asked, "lane", _side_lane(step) or "left")


def _goes_to(step: Step, after: Step | None, here: Zone, stood: Zone, court: Court) -> Zone:
    """Zone of the next contact, or of the bounce where the combination ends."""
    asked = step.conditions
    depth, lane = _usual(step, here, stood, court)
    depth, lane = _one(asked, "bounce_depth", depth), _one(asked, "bounce_lane", lane)
    if after is None:
        return depth, lane
    lane = _side_lane(after) or lane
    return _one(after.conditions, "depth", _met(after, depth)), _one(after.conditions, "lane", lane)


def _met(step: Step, depth: str) -> str:
    """Depth at which a ball that goes to ``depth`` is struck."""
    in_the_air = _volley(step)
    off_the_back = tuple(step.conditions.get("contact", ())) == ("off_back_wall",)
    if depth == "back" and (in_the_air or (step.by == "own" and not off_the_back)):
        return "middle"
    return depth


def _usual(step: Step, here: Zone, stood: Zone, court: Court) -> Zone:
    asked = step.conditions
    if asked.get("room_m", (None, None))[0] is not None:
        return _far_from(stood, court)
    stroke = str(_one(asked, "stroke", "drive"))
    kind = "boast" if stroke.endswith("boast") else stroke
    across = {"left": "right", "right": "left", "centre": "right"}[here[1]]
    turned = kind in ("boast", "serve") or _one(asked, "direction", "straight") == "cross"
    lane = across if turned else "left" if here[1] == "centre" else here[1]
    return _GOES.get(kind, "back"), lane


def _far_from(zone: Zone, court: Court) -> Zone:
    here = _metres(zone, None, court)
    far = [np.hypot(*np.subtract(_metres(corner, None, court), here)) for corner in _CORNERS]
    return _CORNERS[int(np.argmax(far))]


def _one(asked: dict[str, Any], name: str, otherwise: str) -> str:
    """The first of the words asked for, or else the usual one."""
    words = asked.get(name)
    return str(words[0]) if words else otherwise


def _volley(step: Step) -> bool:
    return tuple(step.conditions.get("contact", ())) == ("volley",)


def _side_lane(step: Step) -> str | None:
    """Lane of a right-hander's forehand or backhand."""
    side = step.conditions.get("side", ())
    if len(side) != 1:
        return None
    return "right" if side[0] == "forehand" else "left"


def _metres(zone: Zone, step: Step | None, court: Court) -> Place:
    depth, lane = zone
    across, along = _LANES[lane], _DEPTHS[depth]
    if depth == "middle" and step is not None:
        aside, along = _IN_THE_AIR if _volley(step) else _BOUNCED
        across = {"left": aside, "right": 1.0 - aside}.get(lane, across)
    return across * court.floor.width, along * court.floor.depth


def _free(place: Place, taken: list[Place], court: Court) -> Place:
    """The nearest spot to a place that no number stands on."""
    x, y = place
    inward = 1.0 if x <= court.floor.width / 2 else -1.0
    down = 1.0 if y <= court.floor.depth / 2 else -1.0
    tries = [(x + inward * i * 0.7, y + down * j * 0.7) for j in range(6) for i in range(6)]
    tries.sort(key=lambda spot: np.hypot(spot[0] - x, spot[1] - y))
    for spot in tries:
        if all(np.hypot(spot[0] - a, spot[1] - b) >= _APART_M for a, b in taken):
            return spot
    return place


def _bend(spots: list[Place], k: int) -> float:
    """Bend the arrow from spot k so that it keeps clear of the other numbers, if it can."""
    start, end = np.array(spots[k]), np.array(spots[k + 1])
    # the last spot has no number
    others = np.array([spot for i, spot in enumerate(spots[:-1]) if i not in (k, k + 1)])
    short = float(np.hypot(*(end - start))) < _SHORT_M
    bends = _BENDS[1:] if short or _turns_back(spots, k) else _BENDS
    if not len(others):
        return bends[0]
    part = np.linspace(0.0, 1.0, 41)[:, None]
    for bend in bends:
        along = end - start
        # the middle point of matplotlib's arc3, on an axis that grows downwards
        bulge = (start + end) / 2.0 + bend * np.array([-along[1], along[0]])
        path = (1 - part) ** 2 * start + 2 * part * (1 - part) * bulge + part**2 * end
        away = np.hypot(*np.moveaxis(path[:, None] - others[None], -1, 0))
        if away.min() >= _CLEAR_M:
            return bend
    return bends[0]


def _turns_back(spots: list[Place], k: int) -> bool:
    """Whether the ball goes back about the way it came."""
    if k == 0:
        return False
    came = np.array(spots[k - 1]) - np.array(spots[k])
    goes = np.array(spots[k + 1]) - np.array(spots[k])
    return float(came @ goes) > 0.9 * float(np.hypot(*came) * np.hypot(*goes))


#: Own shots dark and whole, the opponent's light and dashed: told apart in grey.
_STYLE: Final[dict[str, dict[str, Any]]] = {
    "own": {"color": INK, "ls": "-", "face": INK, "text": PAPER},
    "reply": {"color": "#6F7479", "ls": (0, (4, 2.2)), "face": PAPER, "text": INK},
}
#: Metres of the drawing to the right of the court, for the sentence.
_BESIDE_M: Final = 6.6
_SIZE: Final = (6.2, 5.6)
_METRES_AN_INCH: Final = 2.22
_LINE_M: Final = 0.5


def plot_sequence(
    combination: Combination, ax: Axes | None = None, *, court: Court | None = None
) -> Axes:
    """Draw the steps of a combination on the court.

    A number stands where the step is struck, filled for the player's own shots and open
    for the opponent's; an arrow leads to where the ball goes. Beside the court stand the
    steps in words. Where a step does not ask for a place, the usual one for its stroke is
    drawn, from a right-hander's backhand side unless a step says otherwise.

    Parameters
    ----------
    combination
        The combination.
    ax
        Axes to draw into; a new figure if None.
    court
        The court; the standard singles court if None.

    Returns
    -------
    Axes
        In metres, as `plot_court` leaves them, with room for the words on the right.

    See Also
    --------
    Combination
    Step
    plot_funnel

    Examples
    --------
    >>> ax = sw.plot_sequence(sw.Combination.built_in("length then volley"))
    """
    check_kind(combination, "Combination", "combination", "one, sw.Combination(name, steps)")
    court = court or Court()
    own = ax is None
    ax = plot_court(court, ax=new_axes(ax, size=_SIZE))
    places = places_of(combination.steps, court)
    for k, step in enumerate(combination.steps):
        _arrow(ax, places, k, step)
    for k, step in enumerate(combination.steps):
        _number(ax, *places.struck[k], k + 1, step.by)
    _sentence(ax, combination, court)
    ax.set_xlim(-0.15, court.floor.width + _BESIDE_M)
    if own:
        name = plain(combination.name, 90)
        frame(
            ax,
            capital(name),
            "A number stands where the shot is struck; its arrow leads to where the ball goes, "
            "not along its path off the walls. Where a step asks for no place, a usual one is "
            "drawn.",
        )
    return ax


def _arrow(ax: Axes, places: Places, k: int, step: Step) -> None:
    style = _STYLE[step.by]
    # stops short of the number of the next step, but not of a place without one
    short = 12 if k + 1 < len(places.struck) else 2
    arrow = FancyArrowPatch(
        places.struck[k], places.goes_to[k], connectionstyle=f"arc3,rad={places.bend[k]}",
        arrowstyle="-|>", mutation_scale=17, shrinkA=11, shrinkB=short, zorder=5,
        lw=2.4 if step.by == "own" else 2.0, color=style["color"], linestyle=style["ls"],
        label=f"_arrow {k + 1} {step.by}",
    )  # fmt: skip
    ax.add_patch(arrow)


def _number(ax: Axes, x: float, y: float, number: int, by: str) -> None:
    style = _STYLE[by]
    ax.plot(
        [x], [y], "o", ms=19, mfc=style["face"], mec=INK if by == "own" else MUTED, mew=1.8,
        label=f"_step {number} {by}", zorder=6,
    )  # fmt: skip
    ax.text(
        x, y, str(number), ha="center", va="center_baseline", fontsize=11, fontweight="bold",
        color=style["text"], zorder=7,
    )  # fmt: skip


def _sentence(ax: Axes, combination: Combination, court: Court) -> None:
    left = court.floor.width + 0.75
    inches = (_BESIDE_M - 1.45) / _METRES_AN_INCH
    y = 0.35
    for k, step in enumerate(combination.steps, start=1):
        words = plain(str(step), 160)
        weight = "bold" if step.by == "own" else "normal"
        _number(ax, left, y, k, step.by)
        for line in lines(capital(words), inches, 11.2):
            said, style = drawable(line, weight)
            ax.text(
                left + 0.6, y, said, va="center", fontsize=10.5, fontweight=weight,
                color=INK if step.by == "own" else QUIET, **style,
            )  # fmt: skip
            y += _LINE_M
        y += 0.4
