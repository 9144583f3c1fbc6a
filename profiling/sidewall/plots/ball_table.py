"""The table that stands beside a drawn rally chain: what each ball is worth, and its n."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sidewall.plots.letters import columns, drawable
from sidewall.plots.state_places import Ball, group_words, runs, short
from sidewall.plots.style import FAINT, INK, QUIET
from sidewall.plots.words import rows_by

__all__ = ["draw_ball_table", "table_lines"]

#: Left edge of the swatch and the name, right edges of the columns, as shares of the width.
_SWATCH, _NAME = 0.025, 0.07
_COLUMNS: Final = (0.515, 0.845, 1.0)
_LINE_INCHES: Final = 0.26
#: Letters of a name that fit beside the numbers at full size.
_FIT: Final = 13
_HEADS: Final = ("rallies won\nin 100", "shots left", "n")


def table_lines(balls: list[Ball]) -> int:
    """Lines that the table takes: a row for every ball, a heading for every group."""
    return 2 + len(balls) + sum(bool(group[0]) for group, _, _ in runs(balls))


def draw_ball_table(
    ax: Axes,
    balls: list[Ball],
    values: pd.DataFrame,
    shade: Callable[[float], Any],
    *,
    has_contact: bool,
) -> None:
    """Write a row for every ball: swatch, name, worth and length with intervals, n."""
    tall = ax.get_window_extent().height / ax.figure.dpi
    ax.set_xlim(0, 1)
    # few rows are not spread over the whole height
    ax.set_ylim(max(table_lines(balls), tall / _LINE_INCHES), 0)
    ax.set_axis_off()
    for right, words in zip(_COLUMNS, _HEADS, strict=True):
        ax.text(right, 1.5, words, ha="right", va="bottom", fontsize=9, color=QUIET)
    ax.plot([0, 1], [1.6, 1.6], color=FAINT, lw=1.0)
    longest = max(columns(ball.band) for ball in balls)
    size = float(np.clip(9.0 * _FIT / longest, 6.5, 9.0))
    by_state = {state[0]: row for state, row in rows_by(values.reset_index(), "state").items()}
    y = 1.6
    for group, first, last in runs(balls):
        if group[0]:
            y += 1.0
            head = group_words(group, has_contact).capitalize()
            ax.text(0, y - 0.4, head, va="center", fontsize=9.5, fontweight="bold", color=INK)
        for ball in balls[first:last]:
            y += 1.0
            _row(ax, y - 0.4, (ball.band, size), by_state[ball.state], shade)


def _row(
    ax: Axes, y: float, name: tuple[str, float], row: dict[str, Any], shade: Callable[[float], Any]
) -> None:
    ends = ("", "_low", "_high")
    win, low, high = (100 * row[f"win_probability{end}"] for end in ends)
    left, least, most = (row[f"expected_shots{end}"] for end in ends)
    colour = shade(row["win_probability"])
    ax.plot([_SWATCH], [y], "o", ms=9, mfc=colour, mec=INK, mew=0.8, clip_on=False, label="_swatch")
    words, size = name
    words, style = drawable(short(words, int(_FIT * 9.0 / 6.5)))
    ax.text(_NAME, y, words, va="center", fontsize=size, color=INK, **style)
    cells = (
        f"{win:.0f} ({low:.0f}–{high:.0f})",
        f"{left:.1f} ({least:.1f}–{most:.1f})",
        f"{int(row['n_shots']):,}",
    )
    for right, words in zip(_COLUMNS, cells, strict=True):
        ax.text(right, y, words, ha="right", va="center", fontsize=9, color=INK)
