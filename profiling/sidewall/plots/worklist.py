"""The work list in one picture: points a game to gain, item by item."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd
from matplotlib.axes import Axes

from sidewall.arguments import Table, as_frame, check_count, check_level
from sidewall.errors import DataError
from sidewall.numbers import count, number
from sidewall.plots.frame import above, frame, left_part, mark, name_rows, say
from sidewall.plots.style import FAINT, QUIET, new_axes
from sidewall.plots.words import difference_words, plain, records
from sidewall.worklist.worklist import NOT_KNOWN, WORTH

_NEEDED: Final = (
    *("item", "title", "points_per_game", "points_per_game_low", "points_per_game_high"),
    *("effort", "first_in"),
    *("status", "n_shots", "n_rallies"),
)
_LINE_IN: Final = 0.46
_LONGEST: Final = 52
#: Part of the width that dots take, and where the words to their right begin.
_DOTS: Final = 0.5
_WORDS: Final = 0.52


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

    See Also
    --------
    work_list
    WorkList

    Examples
    --------
    >>> table = sw.work_list(shots, model, "Rowan", draws=50)
    >>> ax = sw.plot_work_list(table, most=5)
    """
    table = as_frame(table, "table")
    check_count(most, "most", 1)
    check_level(level)
    table = _of_player(table, player)
    shown = table.head(most)
    own = ax is None
    if ax is None:  # axes of a small figure would shrink to nothing beside so many words
        ax = new_axes(size=(9.2, _LINE_IN * len(shown) + 2.0))
    rows = records(shown)
    known = [row for row in rows if row["status"] != NOT_KNOWN]
    ends = [float(row[f"points_per_game_{end}"]) for row in known for end in ("low", "high")]
    low, high = min([0.0, *ends]), max([2.0 * useful, *ends])
    pad = 0.04 * (high - low)
    ax.axvspan(0.0, useful, color=FAINT, lw=0, zorder=0, label="_useful")
    for y, row in enumerate(rows):
        _row(ax, y, row)
    names = [(y, plain(str(row["title"]), _LONGEST)) for y, row in enumerate(rows)]
    name_rows(ax, names, -0.6, len(rows) - 0.4)
    left_part(ax, low - pad, high + pad, _DOTS, "points a game to gain")
    above(ax, _WORDS, "points (interval)  ·  first in  ·  effort")
    if own:
        heading = f"{plain(player)}: what to work on first" if player else "What to work on"
        frame(ax, heading, _foot(len(table) - len(shown), useful, level))
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


def _row(ax: Axes, y: int, row: dict[str, Any]) -> None:
    rallies = count(int(row["n_rallies"]), "rally", "rallies")
    n = f"n = {count(int(row['n_shots']), 'shot')} in {rallies}"
    say(ax, _WORDS, y + 0.22, n, size=8.5, colour=QUIET)
    if row["status"] == NOT_KNOWN:
        say(ax, _WORDS, y - 0.18, NOT_KNOWN, size=10, colour=QUIET, style="italic")
        return
    ends = [float(row[f"points_per_game{end}"]) for end in ("", "_low", "_high")]
    mark(ax, y, ends, f"gain {row['item']}", sure=row["status"] == WORTH)
    words = difference_words(ends, 2, number)
    say(ax, _WORDS, y - 0.18, f"{words}  ·  {row['first_in']:.0%}  ·  {row['effort']:g}", size=10)


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
