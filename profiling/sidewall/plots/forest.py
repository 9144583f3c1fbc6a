"""Estimates with their intervals, a row each, with names to the left and words beside them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from sidewall.plots.style import INK, PAPER, QUIET, dress
from sidewall.plots.words import drawable


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
