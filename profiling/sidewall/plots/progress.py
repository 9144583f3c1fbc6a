"""Two periods of a player side by side, with the change in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sidewall.arguments import Table, as_frame, check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.numbers import count, signed
from sidewall.plots.frame import frame, given, mark, name_rows, panels, say
from sidewall.plots.style import INK, QUIET, format_gap_axis
from sidewall.plots.words import family_words, plain, records
from sidewall.progress.compare import NOT_KNOWN

_NEEDED: Final = (
    *("player", "measure", "side", "family", "unit", "verdict", "before", "after", "change"),
    *("before_low", "before_high", "after_low", "after_high"),
    *("change_low", "change_high", "smallest_change"),
    *("n_before", "n_after", "matters"),
)
_NAMES: Final = {
    "attack": "rallies won after an attack",
    "forced": "tight balls attacked",
    "passed up": "loose balls reset",
}
#: Height of a comparison: a heading, words, then one bar for each period.
_STEP: Final = 4.0
_WIDTH_IN, _LINE_IN = 5.6, 0.27
_STYLE: Final[dict[str, dict[str, Any]]] = {
    "before": {"colour": QUIET, "line": (0, (3, 1.5)), "sure": False},
    "after": {"colour": INK},
}
_ENDS: Final = ("", "_low", "_high")


def plot_progress(
    table: Table,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.95,
    ax: Sequence[Axes] | None = None,
) -> NDArray[np.object_]:
    """Draw what changed between two periods: before above after, with intervals and words.

    Parameters
    ----------
    table
        From `compare_periods`, of one player, or some of its rows.
    unit, board_width_m
        Of gaps: cm, m, in or boards, for which it takes the width of one.
    level
        Confidence level that the table was made with.
    ax
        One axes for each kind there is in the table, thresholds first, then shares; a new
        figure if None.

    Returns
    -------
    ndarray of Axes, shape (1,) or (2,)

    Raises
    ------
    DataError
        If the table is empty, of several players, or not one of `compare_periods`, or `ax`
        has not as many axes as there are kinds.
    UnitError
        If the unit is unknown, or boards are asked for without a width.

    See Also
    --------
    compare_periods

    Examples
    --------
    >>> first, later = shots.loc[shots["player"] == "Rowan", "match"].unique()
    >>> table = sw.compare_periods(shots, "Rowan", [first], [later], measures=["on target"])
    >>> axes = sw.plot_progress(table)
    """
    table = as_frame(table, "table")
    check_level(level)
    missing = [name for name in _NEEDED if name not in table.columns]
    if missing or not len(table):
        what = f"has no column {', '.join(missing)}" if missing else "is empty"
        raise DataError(f"The table of changes {what}; give what compare_periods returns.")
    players = list(dict.fromkeys(table["player"].astype(str)))
    if len(players) > 1:
        raise DataError(f"The table is of {len(players)} players; choose the rows of one.")
    words = GapWords(unit, board_width_m)
    words.number(0.0)  # an unknown unit is said before anything is drawn
    rows = records(table)
    kinds = [kind for kind in ("m", "share") if any(row["unit"] == kind for row in rows)]
    parts = [[row for row in rows if row["unit"] == kind] for kind in kinds]
    if ax is None:
        sizes = [_STEP * len(part) + 2.5 for part in parts]
        size = _WIDTH_IN, _LINE_IN * sum(sizes) + 2.0
        axes = panels(len(parts), 1, size, height_ratios=sizes)[:, 0]
    else:
        axes = given(ax, f"{len(parts)} axes", len(parts))
    for panel, kind, part in zip(axes, kinds, parts, strict=True):
        _panel(panel, part, kind, words)
    if ax is None:
        frame(axes[0], f"{plain(players[0])}: before and after", _foot(table, level))
    return axes


def _panel(ax: Axes, rows: list[dict[str, Any]], kind: str, words: GapWords) -> None:
    ends = [row[f"{when}{end}"] for row in rows for when in _STYLE for end in _ENDS]
    known = [float(end) for end in ends if np.isfinite(end)]
    low, high = min([0.0, *known]), max([0.1, *known])
    ax.set_xlim(low - 0.02 * (high - low), high + 0.02 * (high - low))
    names = []
    for k, row in enumerate(rows):
        top, name = -_STEP * k, _name(row)
        say(ax, 0.0, top, name, colour=QUIET)
        say(ax, 0.0, top - 0.85, change_words(row, words), size=11, weight="bold")
        for j, (when, style) in enumerate(_STYLE.items()):
            names.append((top - 1.75 - 0.75 * j, f"{when}, n = {row[f'n_{when}']:,}"))
            if np.isfinite(row[when]):
                at = [float(row[f"{when}{end}"]) for end in _ENDS]
                mark(ax, names[-1][0], at, f"{when} {name}", **style)
    name_rows(ax, names, 0.8, -_STEP * len(rows) + 0.4)
    if kind == "m":
        format_gap_axis(ax, words.unit, words.board_width_m, label="attack pays from a gap of")
    else:
        ax.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f}")
        ax.set_xlabel("in 100")


def _name(row: dict[str, Any]) -> str:
    family = family_words(str(row["family"])) if row["family"] else ""
    where = " ".join(part for part in (str(row["side"]), family) if part)
    if row["measure"] == "comfort":
        of = f"{row['side'] or 'weaker side'} wins fewer"
        return f"{of}{', ' + family if family else ''}"
    name = _NAMES.get(str(row["measure"]), str(row["measure"]))
    return f"{name}, {where}" if where else name


def change_words(row: dict[str, Any], words: GapWords) -> str:
    """Say a change: the verdict, by how much and between which ends, or what is missing."""
    verdict, names = str(row["verdict"]), ("change", "change_low", "change_high")
    if not np.isfinite(row["change"]):
        return verdict
    if row["unit"] == "m":
        at, low, high = (words.signed(row[name]) for name in names)
        unit, smallest = f" {words.unit}", words.gap(row["smallest_change"])
    else:
        at, low, high = (signed(100 * row[name], 0) for name in names)
        unit, smallest = " in 100", f"{100 * row['smallest_change']:.0f} in 100"
    if verdict == NOT_KNOWN:
        return f"{verdict} ({smallest} would show)"
    return f"{verdict}: {at}{unit} ({low} to {high})"


def _foot(table: pd.DataFrame, level: float) -> str:
    looked = int(table["p"].notna().sum()) if "p" in table.columns else len(table)
    return (
        f"Bars: {level:.0%} intervals. Better or worse is said only where it holds with all "
        f'{count(looked, "comparison")} allowed for (Holm). "Would show": the true change '
        "that so much data shows four times in five, looked at alone. A change of opponents, "
        "court or ball is a change too."
    )
