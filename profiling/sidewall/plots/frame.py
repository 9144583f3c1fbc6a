"""Figures of a picture: panels, heading and small print, and rows of estimates with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill, wrap
from typing import Any

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.plots.style import INK, PAPER, QUIET, dress, look, new_axes
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


def mark(
    ax: Axes,
    y: float,
    ends: Sequence[float],
    name: str,
    *,
    colour: str = INK,
    marker: str = "o",
    line: Any = "-",
    sure: bool = True,
    faint: bool = False,
) -> None:
    """Draw an estimate with its interval: `ends` are the estimate, its lower and its upper end.

    The mark is labelled ``_name``, its line ``_interval name``. It is filled where `sure`, else
    hollow; a `faint` line stands in for another answer.
    """
    at, *ends = ends
    ax.plot(
        ends, [y, y], color=colour, alpha=0.35 if faint else 1.0, ls=line, lw=2.2, marker="|", ms=9,
        mew=1.8, zorder=2, label=f"_interval {name}",
    )  # fmt: skip
    ax.plot(
        [at], [y], ls="", marker=marker, ms=8, mew=1.8, color=colour, mfc=colour if sure else PAPER,
        zorder=3, label=f"_{name}",
    )  # fmt: skip


def name_rows(ax: Axes, names: Sequence[tuple[float, str]], top: float, bottom: float) -> None:
    """Write names to the left of their rows, and dress the axes for rows."""
    drawn = [drawable(name) for _, name in names]
    ax.set_ylim(bottom, top)
    ax.set_yticks([y for y, _ in names], [name for name, _ in drawn])
    for tick, (_, style) in zip(ax.get_yticklabels(), drawn, strict=True):
        tick.set(**style)
    dress(ax, grid="x")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


def left_part(ax: Axes, low: float, high: float, part: float, label: str) -> None:
    """Keep the marks, from `low` to `high`, in the left part of the axes: words get the rest."""
    ax.set_xlim(low, low + (high - low) / part)
    places = MaxNLocator(nbins=5, steps=[1, 2, 5, 10]).tick_values(low, high)
    ax.set_xticks([x for x in places if low <= x <= high])
    ax.spines["bottom"].set_bounds(low, high)
    ax.axvline(0.0, color=QUIET, lw=1.2, zorder=1, label="_zero")
    ax.set_xlabel(label, x=part / 2)


def say(
    ax: Axes,
    x: float,
    y: float,
    words: str,
    *,
    size: float = 10.5,
    colour: str = INK,
    weight: str = "normal",
    **look: Any,
) -> None:
    """Write words into a row, `x` as a part of the width; grid lines are kept off them."""
    words, style = drawable(words, weight)
    ax.text(
        x, y, words, transform=ax.get_yaxis_transform(), va="center", fontsize=size, color=colour,
        fontweight=weight, zorder=4, **look, **style,
        bbox={"facecolor": ax.get_facecolor(), "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip


def above(ax: Axes, x: float, words: str, side: str = "left") -> None:
    """Write small words above the axes, `x` as a part of the width."""
    ax.text(x, 1.01, words, transform=ax.transAxes, ha=side, va="bottom", fontsize=9.5, color=QUIET)
