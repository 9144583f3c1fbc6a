"""Effects of combinations on winning the rally, one line each, with intervals."""

from __future__ import annotations

from typing import Any, Final, cast

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from sidewall.arguments import Table, as_frame, check_level
from sidewall.errors import DataError
from sidewall.plots.frame import foot, head
from sidewall.plots.letters import drawable
from sidewall.plots.step_words import difference_words, one_line
from sidewall.plots.style import INK, PAPER, QUIET, dress, new_axes

__all__ = ["plot_effects"]

_NEEDED: Final = (
    *("combination", "player", "status", "played_on", "another_way", "rallies"),
    *("difference", "difference_low", "difference_high"),
)
_TOO_FEW: Final = "too few"
_EVERYBODY: Final = "all players"
#: Longer names would leave no room for the dots.
_LONGEST_NAME: Final = 18
_LINE_IN: Final = 0.36
_WIDTH_IN: Final = 6.3
#: Parts of the width of the axes: dots up to here, then numbers, then counts.
_DOTS: Final = 0.45
_NUMBERS: Final = 0.475
#: Nothing beyond so many rallies in 100 is drawn; the words give the numbers.
_WIDEST: Final = 60.0


def plot_effects(
    table: Table,
    *,
    level: float = 0.95,
    false_discovery: float = 0.05,
    ax: Axes | None = None,
) -> Axes:
    """Draw how much more often the rally is won when a combination is played on.

    One line a combination and player: the difference in rallies won in 100 against moments
    in the same state that went another way, its interval, and the number of moments of
    either kind. A filled mark stands for a difference that holds when all lines of the
    table are allowed for; where there are too few rallies, the words say so and nothing is
    drawn.

    Parameters
    ----------
    table
        From `Combination.effect` or `sidewall.combinations.combination`, or several of these
        one below the other.
    level
        Confidence level that the table was made with.
    false_discovery
        A mark is filled where the adjusted p-value (Benjamini-Hochberg) is no larger than
        this.
    ax
        Axes to draw into; a new figure if None.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If the table is empty or not one of effects.
    """
    table = as_frame(table, "table")
    check_level(level)
    missing = [name for name in _NEEDED if name not in table.columns]
    if missing or not len(table):
        what = f"has no column {', '.join(missing)}" if missing else "is empty"
        raise DataError(f"The table of effects {what}; give what Combination.effect returns.")
    rows = cast(list[dict[str, Any]], table.to_dict("records"))
    blocks = list(dict.fromkeys(str(row["combination"]) for row in rows))
    own = ax is None
    # a heading a block, but for a single one, which the title names
    headed = len(blocks) > 1 or not own
    height = len(rows) + headed * len(blocks)
    ax = new_axes(ax, size=(_WIDTH_IN, _LINE_IN * height + 2.1))
    y, ticks = 0.0, []
    for block in blocks:
        if headed:
            _heading(ax, y, one_line(block, 55))
            y -= 1.0
        for row in rows:
            if str(row["combination"]) == block:
                ticks.append((y, _who(row)))
                _line(ax, y, row, false_discovery)
                y -= 1.0
    _scales(ax, rows, ticks, y)
    if own:
        figure = cast(Figure, ax.figure)
        name = one_line(blocks[0]) if len(blocks) == 1 else "Combinations"
        head(figure, f"{name[0].upper()}{name[1:]}: more rallies won?")
        foot(figure, _foot(table, level, false_discovery))
    return ax


def _who(row: dict[str, Any]) -> str:
    return _EVERYBODY if pd.isna(row["player"]) else one_line(str(row["player"]), _LONGEST_NAME)


def _heading(ax: Axes, y: float, words: str) -> None:
    words, style = drawable(words)
    ax.text(
        0.0, y, words, transform=ax.get_yaxis_transform(), va="center", fontsize=10.5,
        fontweight="bold", color=INK, bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0},
        zorder=4, **style,
    )  # fmt: skip


def _line(ax: Axes, y: float, row: dict[str, Any], false_discovery: float) -> None:
    place: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "va": "center"}
    n = f"{row['played_on']:,} / {row['another_way']:,}"
    ax.text(1.0, y, n, ha="right", fontsize=10, color=QUIET, **place)
    if row["status"] == _TOO_FEW:
        ax.text(_NUMBERS, y, _TOO_FEW, fontsize=10.5, color=QUIET, style="italic", **place)
        return
    at, low, high = (100.0 * float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
    words = difference_words(at / 100.0, low / 100.0, high / 100.0)
    ax.text(_NUMBERS, y, words, fontsize=10.5, color=INK, **place)
    ends = np.clip([low, high], -_WIDEST, _WIDEST)
    ax.plot(ends, [y, y], color=INK, lw=2.0, label=f"_interval {_who(row)}", zorder=2)
    sure = pd.notna(row.get("p_adjusted")) and float(row["p_adjusted"]) <= false_discovery
    everybody = pd.isna(row["player"])
    ax.plot(
        [np.clip(at, -_WIDEST, _WIDEST)], [y], ls="", color=INK,
        marker="D" if everybody else "o", ms=8, mew=1.8,
        mfc=INK if sure else PAPER, label=f"_difference {_who(row)}", zorder=3,
    )  # fmt: skip


def _scales(
    ax: Axes, rows: list[dict[str, Any]], ticks: list[tuple[float, str]], bottom: float
) -> None:
    ends = [100.0 * abs(float(row[f"difference_{end}"])) for row in rows for end in ("low", "high")]
    reach = min(max([5.0, *(end for end in ends if np.isfinite(end))]), _WIDEST)
    low, high = -1.05 * reach, 1.05 * reach
    ax.set_xlim(low, low + (high - low) / _DOTS)
    ax.set_ylim(bottom + 0.35, 0.65)
    ax.axvline(0.0, color=QUIET, lw=1.2, zorder=1, label="_zero")
    drawn = [drawable(who) for _, who in ticks]
    ax.set_yticks([y for y, _ in ticks], [who for who, _ in drawn])
    for tick, (_, style) in zip(ax.get_yticklabels(), drawn, strict=True):
        tick.set(**style)
    dress(ax, grid="x")
    places = MaxNLocator(nbins=5, steps=[1, 2, 5, 10]).tick_values(low, high)
    ax.set_xticks([x for x in places if low <= x <= high])
    ax.spines["left"].set_visible(False)
    ax.spines["bottom"].set_bounds(low, high)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("more rallies won in 100", x=_DOTS / 2)
    top: dict[str, Any] = {
        "transform": ax.transAxes, "va": "bottom", "fontsize": 9.5, "color": QUIET,
    }  # fmt: skip
    for x, words, side in (
        (0.0, "◀ costs", "left"),
        (_DOTS, "gains ▶", "right"),
        (_NUMBERS, "in 100 (interval)", "left"),
        (1.0, "n on / other way", "right"),
    ):
        ax.text(x, 1.01, words, ha=side, **top)


def _foot(table: pd.DataFrame, level: float, false_discovery: float) -> str:
    words = (
        "Difference: rallies won in 100 when it was played on, minus rallies won when the same "
        f"player, in the same state, went another way. Lines: {level:.0%} intervals. "
        "n: such moments, played on and not. "
    )
    if "p_adjusted" not in table.columns:
        return words + "Hollow marks: not adjusted for looking at several lines."
    looked = int(table["p_adjusted"].notna().sum())
    if looked < 2:
        return words + "Filled: surely not zero. Hollow: may be zero."
    return words + (
        f"Filled: holds when all {looked} lines looked at are allowed for (at most "
        f"{false_discovery:.0%} of such findings false). Hollow: does not."
    )
