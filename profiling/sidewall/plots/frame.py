"""Figures of panels that a picture makes for itself: their heading, their small print."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill, wrap
from typing import Any

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.plots.style import INK, QUIET, look, new_axes
from sidewall.plots.words import columns, drawable

_LEFT = 0.012
#: Letters that fit on an inch, at the size of each text.
_HEAD_LETTERS, _FOOT_LETTERS = 7.5, 13.6


def panels(
    rows: int, across: int, size: tuple[float, float], layout: Any = "constrained", **shape: Any
) -> NDArray[np.object_]:
    """Make a figure of panels, (rows, across), in the project's look, of a size in inches.

    `layout` and `shape` are for matplotlib's ``subplots``.
    """
    with look():
        _, axes = plt.subplots(rows, across, figsize=size, layout=layout, squeeze=False, **shape)
    return np.asarray(axes, dtype=object)


def cell_panels(
    ax: Axes | None,
    families: Sequence[str],
    sides: Sequence[str],
    size: tuple[float, float],
    layout: Any = "constrained",
) -> NDArray[np.object_]:
    """Panels of families by sides, of a size in inches; `ax` if it is the only one."""
    if len(sides) == len(families) == 1:
        return np.array([[new_axes(ax, size=(5.6, 4.9))]], dtype=object)
    if ax is not None:
        raise DataError("ax holds one panel: name the side and the family to draw into it.")
    return panels(len(families), len(sides), size, layout)


def given(ax: Axes | Sequence[Axes], takes: str, *counts: int) -> NDArray[np.object_]:
    """Return the axes that a caller gave, in a row; as many as the picture takes."""
    axes = np.atleast_1d(np.asarray(ax, dtype=object)).ravel()
    if axes.size not in counts:
        raise DataError(f"The picture takes {takes}; {axes.size} given.")
    new_axes(axes[0])
    return axes


def figure_of(ax: Axes) -> Figure:
    """Return the whole figure that axes stand in."""
    figure = ax.get_figure(root=True)
    if figure is None:
        raise DataError("These axes were taken out of their figure: give others.")
    return figure


def lay_out(figure: Figure) -> None:
    """Lay a figure out now: every saving would draw all of it once more to the same end."""
    layout = figure.get_layout_engine()
    if layout is not None:
        layout.execute(figure)
        figure.set_layout_engine(None)


def frame(ax: Axes, heading: str, small: str = "") -> None:
    """Head the figure of some axes, and say below the panels how to read them."""
    figure = figure_of(ax)
    words, style = drawable(heading, weight="bold")
    wide = columns(words) - len(words)
    words = fill(words, width=max(int(_HEAD_LETTERS * figure.get_figwidth()) - wide, 16))
    figure.suptitle(words, x=_LEFT, ha="left", fontsize=14, fontweight="bold", color=INK, **style)
    if small:
        words = fill(small, width=int(_FOOT_LETTERS * figure.get_figwidth()))
        figure.supxlabel(words, x=_LEFT, ha="left", fontsize=9.5, color=QUIET)


def width_in(ax: Axes) -> float:
    """Width of axes in inches, as far as it is known before the layout is made."""
    return float(ax.get_position().width * figure_of(ax).get_figwidth())


def lines(words: str, inches: float, letters_an_inch: float = 11.0) -> list[str]:
    """Break words into lines that fit on so many inches."""
    return wrap(words, width=max(int(inches * letters_an_inch), 16)) or [""]
