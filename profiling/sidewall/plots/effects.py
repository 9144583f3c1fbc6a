"""Effects of combinations on winning the rally, one line each, with intervals."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sidewall.arguments import Table, as_frame, check_level
from sidewall.errors import DataError
from sidewall.plots.frame import above, frame, left_part, mark, name_rows, say
from sidewall.plots.style import QUIET, new_axes
from sidewall.plots.words import capital, difference_words, plain, records

_NEEDED: Final = (
    *("combination", "player", "status", "played_on", "another_way", "n_rallies"),
    *("difference", "difference_low", "difference_high"),
)
_TOO_FEW: Final = "too few"
_EVERYBODY: Final = "all players"
#: Longer names would leave no room for the dots.
_LONGEST_NAME: Final = 18
_LONGEST: Final = 90
_LINE_IN: Final = 0.36
_WIDTH_IN: Final = 6.3
#: Parts of the width of the axes: dots up to here, then numbers, then counts.
_DOTS: Final = 0.45
_NUMBERS: Final = 0.475
#: Nothing beyond so many rallies in 100 is drawn; the words give the numbers.
_WIDEST: Final = 60.0


def plot_effects(
    table: Table, *, level: float = 0.95, false_discovery_rate: float = 0.05, ax: Axes | None = None
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
    false_discovery_rate
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

    See Also
    --------
    Combination
    plot_funnel

    Examples
    --------
    >>> two = sw.Combination.built_in("length then volley")
    >>> ax = sw.plot_effects(two.effect(shots))
    """
    table = as_frame(table, "table")
    check_level(level)
    missing = [name for name in _NEEDED if name not in table.columns]
    if missing or not len(table):
        what = f"has no column {', '.join(missing)}" if missing else "is empty"
        raise DataError(f"The table of effects {what}; give what Combination.effect returns.")
    rows = records(table)
    blocks = list(dict.fromkeys(str(row["combination"]) for row in rows))
    own = ax is None
    # a heading a block, but for a single one, which the title names
    headed = len(blocks) > 1 or not own
    height = len(rows) + headed * len(blocks)
    ax = new_axes(ax, size=(_WIDTH_IN, _LINE_IN * height + 2.1))
    y, names = 0.0, []
    for block in blocks:
        if headed:
            say(ax, 0.0, y, plain(block, 55), weight="bold")
            y -= 1.0
        for row in rows:
            if str(row["combination"]) == block:
                names.append((y, _who(row)))
                _row(ax, y, row, false_discovery_rate)
                y -= 1.0
    name_rows(ax, names, 0.65, y + 0.35)
    ends = [100.0 * abs(float(row[f"difference_{end}"])) for row in rows for end in ("low", "high")]
    reach = 1.05 * min(max([5.0, *(end for end in ends if np.isfinite(end))]), _WIDEST)
    left_part(ax, -reach, reach, _DOTS, "more rallies won in 100")
    above(ax, 0.0, "◀ costs")
    above(ax, _DOTS, "gains ▶", "right")
    above(ax, _NUMBERS, "in 100 (interval)")
    above(ax, 1.0, "n on / other way", "right")
    if own:
        name = plain(blocks[0], _LONGEST) if len(blocks) == 1 else "Combinations"
        heading = f"{capital(name)}: more rallies won?"
        frame(ax, heading, _foot(table, level, false_discovery_rate))
    return ax


def _who(row: dict[str, Any]) -> str:
    return _EVERYBODY if pd.isna(row["player"]) else plain(str(row["player"]), _LONGEST_NAME)


def _row(ax: Axes, y: float, row: dict[str, Any], false_discovery_rate: float) -> None:
    n = f"{row['played_on']:,} / {row['another_way']:,}"
    say(ax, 1.0, y, n, size=10, colour=QUIET, ha="right")
    if row["status"] == _TOO_FEW:
        say(ax, _NUMBERS, y, _TOO_FEW, colour=QUIET, style="italic")
        return
    ends = [100.0 * float(row[f"difference{end}"]) for end in ("", "_low", "_high")]
    say(ax, _NUMBERS, y, difference_words(ends))
    sure = pd.notna(row.get("p_adjusted")) and float(row["p_adjusted"]) <= false_discovery_rate
    diamond = "D" if pd.isna(row["player"]) else "o"
    ends = [float(end) for end in np.clip(ends, -_WIDEST, _WIDEST)]
    mark(ax, y, ends, f"difference {_who(row)}", marker=diamond, sure=sure)


def _foot(table: pd.DataFrame, level: float, false_discovery_rate: float) -> str:
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
        f"{false_discovery_rate:.0%} of such findings false). Hollow: does not."
    )
