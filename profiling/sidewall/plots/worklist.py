"""The work list in one picture: points a game to gain, item by item."""

from __future__ import annotations

from typing import Any, Final, cast

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sidewall.arguments import Table, as_frame, check_count, check_level
from sidewall.errors import DataError
from sidewall.plots.frame import foot, head
from sidewall.plots.letters import drawable
from sidewall.plots.step_words import one_line
from sidewall.plots.style import FAINT, INK, PAPER, QUIET, dress, new_axes
from sidewall.plots.words import count, plain
from sidewall.worklist.worklist import NOT_KNOWN, WORTH

__all__ = ["plot_work_list"]

_NEEDED: Final = (
    *("item", "title", "points_per_game", "points_per_game_low", "points_per_game_high"),
    *("effort", "first_in"),
    *("status", "n", "rallies"),
)
_LINE_IN: Final = 0.46
_LONGEST: Final = 52
#: Part of the width that dots take; the words stand to their right.
_DOTS: Final = 0.55


def plot_work_list(
    table: Table,
    player: str | None = None,
    *,
    most: int = 8,
    useful: float = 0.1,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw what a player has to gain by every item, in the order of the work list.

    One line an item: the points a game with their interval. A filled dot is sure to be
    above nothing, a hollow one may be nothing. What is not known yet is said, not drawn.

    Parameters
    ----------
    table
        From `WorkList.table`, or rows of one player of `WorkList.tables`.
    player
        For the heading, and to choose among the players of the table.
    most
        Lines to show; how many more there are is said.
    useful
        Points a game below which a gain would not be worth an item: shaded.
    level
        Confidence level that the table was made with.
    ax
        Axes to draw into; a new figure if None.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If the table is empty, no work list, or holds several players and none is named.
    """
    table = as_frame(table, "table")
    check_count(most, "most", 1)
    check_level(level)
    table = _of_player(table, player)
    shown = table.head(most)
    own = ax is None
    ax = new_axes(ax, size=(8.8, _LINE_IN * len(shown) + 2.0))
    rows = cast(list[dict[str, Any]], shown.to_dict("records"))
    known = [row for row in rows if row["status"] != NOT_KNOWN]
    ends = [float(row[f"points_per_game_{end}"]) for row in known for end in ("low", "high")]
    low, high = min([0.0, *ends]), max([2.0 * useful, *ends])
    pad = 0.04 * (high - low)
    low, high = low - pad, high + pad
    ax.set_xlim(low, low + (high - low) / _DOTS)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.axvspan(0.0, useful, color=FAINT, lw=0, zorder=0, label="_useful")
    ax.axvline(0.0, color=QUIET, lw=1.2, zorder=1, label="_zero")
    for y, row in enumerate(rows):
        _line(ax, y, row)
    names = [drawable(one_line(str(row["title"]), _LONGEST)) for row in rows]
    ax.set_yticks(range(len(rows)), [name for name, _ in names])
    for tick, (_, style) in zip(ax.get_yticklabels(), names, strict=True):
        tick.set(**style)
    dress(ax, grid="x")
    ax.set_xticks([x for x in ax.get_xticks() if low <= x <= high])
    for edge in ("left", "bottom"):
        ax.spines[edge].set_visible(False)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("points a game to gain", x=_DOTS / 2)
    ax.text(
        _DOTS + 0.02, 1.01, "points (interval)  ·  first in  ·  effort", transform=ax.transAxes,
        va="bottom", fontsize=9.5, color=QUIET,
    )  # fmt: skip
    if own:
        figure = cast(Figure, ax.figure)
        head(figure, f"{plain(player)}: what to work on first" if player else "What to work on")
        foot(figure, _foot(len(table) - len(shown), useful, level))
    return ax


def _of_player(table: pd.DataFrame, player: str | None) -> pd.DataFrame:
    missing = [name for name in _NEEDED if name not in table.columns]
    if missing:
        raise DataError(
            f"The work list has no column {', '.join(missing)}; give what WorkList.table returns."
        )
    if "player" in table.columns:
        who = table["player"].astype(str)
        names = who.unique()
        if player is None and len(names) > 1:
            raise DataError(f"The table holds {len(names)} players: name one of them.")
        if player is not None:
            table = table[who == player]
    if not len(table):
        raise DataError(f"The work list holds no item{f' of {player!r}' if player else ''}.")
    return table


def _line(ax: Axes, y: int, row: dict[str, Any]) -> None:
    place: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "va": "center"}
    n = f"n = {count(int(row['n']), 'shot')} in {count(int(row['rallies']), 'rally', 'rallies')}"
    at = _DOTS + 0.02
    ax.text(at, y + 0.22, n, fontsize=8.5, color=QUIET, **place)
    if row["status"] == NOT_KNOWN:
        ax.text(at, y - 0.18, NOT_KNOWN, fontsize=10, color=QUIET, style="italic", **place)
        return
    gain, low, high = (float(row[f"points_per_game{end}"]) for end in ("", "_low", "_high"))
    sure = row["status"] == WORTH
    ax.plot([low, high], [y, y], color=INK, lw=2.0, zorder=2, label=f"_interval {row['item']}")
    ax.plot(
        [gain], [y], ls="", marker="o", ms=8, mew=1.8, color=INK, mfc=INK if sure else PAPER,
        zorder=3, label=f"_gain {row['item']}",
    )  # fmt: skip
    words = f"{_points(gain)} ({_points(low)} to {_points(high)})"
    words += f"  ·  {row['first_in']:.0%}  ·  {row['effort']:g}"
    ax.text(at, y - 0.18, words, fontsize=10, color=INK, **place)


def _points(value: float) -> str:
    """Write points to two decimals, without a minus before 0.00."""
    return f"{round(value, 2) + 0.0:.2f}"


def _foot(more: int, useful: float, level: float) -> str:
    words = (
        f"Points a game: rallies won more if such shots were as good as the target says, all "
        f"else as it was. Lines: {level:.0%} intervals. Filled: surely above nothing. Shaded: "
        f"below {useful:g}, not worth an item. First in: how sure it is that this comes first, "
        "gain over effort. "
    )
    if more:
        words += f"{more} more item{'' if more == 1 else 's'} in the table."
    return words
