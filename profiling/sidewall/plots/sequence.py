"""A combination drawn on the court to scale, numbered, with its sentence beside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from matplotlib.axes import Axes
from matplotlib.patches import FancyArrowPatch

from sidewall.court.court import Court
from sidewall.plots.court import plot_court
from sidewall.plots.frame import frame, lines
from sidewall.plots.letters import drawable
from sidewall.plots.sequence_places import Places, places_of
from sidewall.plots.style import INK, MUTED, PAPER, QUIET, new_axes
from sidewall.plots.words import plain

if TYPE_CHECKING:
    from sidewall.combinations.combination import Combination
    from sidewall.combinations.step import Step

__all__ = ["plot_sequence"]

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
            name[0].upper() + name[1:],
            "A number stands where the shot is struck; its arrow leads to where the ball goes, "
            "not along its path off the walls. Where a step asks for no place, a usual one is "
            "drawn.",
        )
    return ax


def _arrow(ax: Axes, places: Places, k: int, step: Step) -> None:
    style = _STYLE[step.by]
    ax.add_patch(
        FancyArrowPatch(
            places.struck[k],
            places.goes_to[k],
            connectionstyle=f"arc3,rad={places.bend[k]}",
            arrowstyle="-|>",
            mutation_scale=17,
            shrinkA=11,
            # stops short of the number of the next step, but not of a place without one
            shrinkB=12 if k + 1 < len(places.struck) else 2,
            lw=2.4 if step.by == "own" else 2.0,
            color=style["color"],
            linestyle=style["ls"],
            label=f"_arrow {k + 1} {step.by}",
            zorder=5,
        )
    )


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
        for line in lines(words[0].upper() + words[1:], inches, 11.2):
            said, style = drawable(line, weight)
            ax.text(
                left + 0.6, y, said, va="center", fontsize=10.5, fontweight=weight,
                color=INK if step.by == "own" else QUIET, **style,
            )  # fmt: skip
            y += _LINE_M
        y += 0.4
