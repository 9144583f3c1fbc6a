"""The look of every picture: colours, lines, type, and how a gap axis is written.

Nothing here touches matplotlib's global settings: `look` is a context manager, and axes are
dressed one by one, so that a notebook's own settings stay as they were.

Colours are in `sidewall.plots.colour`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final, Literal

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.axes._secondary_axes import SecondaryAxis
from matplotlib.axis import Axis
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import ArrayLike, NDArray

from sidewall.court.units import UNIT_NAMES, parse_unit, to_metres
from sidewall.plots.colour import (
    ATTACK,
    BACKHAND,
    FAINT,
    FOREHAND,
    INK,
    MUTED,
    PAPER,
    QUIET,
    RESET,
    THRESHOLD,
    luminance,
    text_on,
    value_map,
)
from sidewall.plots.letters import drawable

__all__ = [
    "ATTACK",
    "BACKHAND",
    "CHOICE_STYLE",
    "DPI",
    "FAINT",
    "FOREHAND",
    "INK",
    "MUTED",
    "PAPER",
    "QUIET",
    "RESET",
    "SIDE_STYLE",
    "THRESHOLD",
    "dress",
    "format_gap_axis",
    "legend",
    "look",
    "luminance",
    "new_axes",
    "note_n",
    "text_on",
    "title",
    "value_map",
]

DPI: Final = 120

#: Colour and line together, so that a black-and-white print still tells the two apart.
CHOICE_STYLE: Final[dict[str, dict[str, Any]]] = {
    "attack": {"color": ATTACK, "linestyle": "-", "marker": "^"},
    "reset": {"color": RESET, "linestyle": (0, (5, 2)), "marker": "o"},
}
SIDE_STYLE: Final[dict[str, dict[str, Any]]] = {
    "forehand": {"color": FOREHAND, "linestyle": "-", "marker": "s"},
    "backhand": {"color": BACKHAND, "linestyle": (0, (1.5, 1.2)), "marker": "D"},
}

_SETTINGS: Final[dict[str, Any]] = {
    "figure.dpi": DPI,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "font.family": "sans-serif",
    "font.size": 11,
    "axes.titlesize": 12,
    "axes.titlelocation": "left",
    "axes.labelsize": 11,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.labelsize": 10,
    "ytick.labelsize": 10,
    "xtick.color": INK,
    "ytick.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 10,
    "lines.linewidth": 2.0,
}


@contextmanager
def look() -> Iterator[None]:
    """Draw in the project's look, and leave every setting as it was afterwards."""
    settings: Any = _SETTINGS
    # Loads the backend, which otherwise is loaded by the first figure. That of a notebook
    # switches to interactive then; inside the context this would be undone at its end, and
    # the notebook would show no picture but the first.
    plt.draw_if_interactive()
    with plt.rc_context(settings):
        yield


def new_axes(ax: Axes | None = None, size: tuple[float, float] = (6.0, 4.1)) -> Axes:
    """Return the axes given, or new ones in the project's look.

    Parameters
    ----------
    ax
        Axes to draw into, or None for a new figure.
    size
        Width and height of a new figure, inches.

    Returns
    -------
    Axes
    """
    if ax is not None:
        return ax
    with look():
        _, fresh = plt.subplots(figsize=size, layout="constrained")
    return fresh


def dress(ax: Axes, grid: Literal["x", "y", "both", "none"] = "y") -> Axes:
    """Give axes the project's spines, ticks, text sizes and faint grid.

    Set on the axes themselves, because ticks that matplotlib makes later would otherwise fall
    back to the notebook's settings.

    Parameters
    ----------
    ax
        Axes to dress.
    grid
        Which grid lines to show.

    Returns
    -------
    Axes
    """
    for edge in ("top", "right"):
        ax.spines[edge].set_visible(False)
    for edge in ("left", "bottom"):
        ax.spines[edge].set_color(MUTED)
    ax.tick_params(colors=INK, labelsize=_SETTINGS["xtick.labelsize"], color=MUTED)
    ax.xaxis.label.set(size=_SETTINGS["axes.labelsize"], color=INK)
    ax.yaxis.label.set(size=_SETTINGS["axes.labelsize"], color=INK)
    ax.set_axisbelow(True)
    ax.grid(False)
    if grid != "none":
        ax.grid(True, axis=grid, color=FAINT, linewidth=0.8)
    return ax


def title(ax: Axes, words: str) -> None:
    """Set the title of axes, left-aligned, in the project's look."""
    words, style = drawable(words)
    ax.set_title(words, loc="left", fontsize=_SETTINGS["axes.titlesize"], color=INK, **style)


def legend(ax: Axes, **places: Any) -> Any:
    """Add a legend without a frame; ``places`` go to matplotlib's ``Axes.legend``."""
    return ax.legend(frameon=False, fontsize=_SETTINGS["legend.fontsize"], labelcolor=INK, **places)


class _UnitLocator(MaxNLocator):
    """Round ticks in the reader's unit on an axis whose data are metres."""

    def __init__(self, per_metre: float) -> None:
        super().__init__(nbins=8, steps=[1, 2, 2.5, 5, 10])
        self._per_metre = per_metre

    def tick_values(self, vmin: float, vmax: float) -> Any:
        ticks = super().tick_values(vmin * self._per_metre, vmax * self._per_metre)
        return np.asarray(ticks) / self._per_metre


def format_gap_axis(
    ax: Axes,
    unit: str = "cm",
    board_width_m: float | None = None,
    *,
    axis: Literal["x", "y"] = "x",
    label: str = "gap to the side wall",
) -> SecondaryAxis | None:
    """Write an axis whose data are gaps in metres in the unit the reader thinks in.

    Parameters
    ----------
    ax
        Axes whose ``axis`` holds gaps in metres.
    unit
        cm, m, in or boards.
    board_width_m
        Width of a floorboard, metres. When it is known, the opposite edge shows boards too.
    axis
        Which axis holds the gap.
    label
        What the axis shows, without its unit.

    Returns
    -------
    SecondaryAxis or None
        The second axis in boards, where there is one.

    Raises
    ------
    UnitError
        If the unit is unknown, or boards are asked for and their width is missing or not
        plausible.
    """
    unit = parse_unit(unit)
    per_metre = 1.0 / to_metres(1.0, unit, board_width_m)
    own = ax.xaxis if axis == "x" else ax.yaxis
    own.set_major_locator(_UnitLocator(per_metre))
    own.set_major_formatter(FuncFormatter(lambda value, _: f"{round(value * per_metre, 6):g}"))
    own.set_label_text(f"{label} ({UNIT_NAMES[unit] if unit == 'boards' else unit})")
    if board_width_m is None or unit == "boards":
        return None
    return _board_axis(ax, to_metres(1.0, "boards", board_width_m), axis)


def _board_axis(ax: Axes, board_width_m: float, axis: Literal["x", "y"]) -> SecondaryAxis:
    def to_boards(metres: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(metres, dtype=np.float64) / board_width_m

    def to_metres(boards: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(boards, dtype=np.float64) * board_width_m

    size = _SETTINGS["xtick.labelsize"]
    if axis == "x":
        second: SecondaryAxis = ax.secondary_xaxis("top", functions=(to_boards, to_metres))
        scale: Axis = second.xaxis
    else:
        second = ax.secondary_yaxis("right", functions=(to_boards, to_metres))
        scale = second.yaxis
    scale.set_label_text("floorboards", color=QUIET, size=size)
    scale.set_major_locator(MaxNLocator(nbins=8, integer=True))
    second.tick_params(labelcolor=QUIET, color=MUTED, labelsize=size)
    for spine in second.spines.values():
        spine.set_color(FAINT)
    return second


def note_n(ax: Axes, shots: int, rallies: int | None = None, *, more: str = "") -> Any:
    """Say under the axes how many shots a picture rests on.

    Parameters
    ----------
    ax
        Axes of the picture.
    shots, rallies
        Counts; rallies are left out where None.
    more
        Further words, such as the confidence level.

    Returns
    -------
    Text
        The note, in the lower right corner below the axes.
    """
    words = f"n = {shots:,} shot{'' if shots == 1 else 's'}"
    if rallies is not None:
        words += f" in {rallies:,} rall{'y' if rallies == 1 else 'ies'}"
    if more:
        words += f"; {more}"
    return ax.annotate(
        words,
        xy=(1.0, 0.0),
        xycoords="axes fraction",
        xytext=(0, -36),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=9,
        color=QUIET,
        annotation_clip=False,
    )
