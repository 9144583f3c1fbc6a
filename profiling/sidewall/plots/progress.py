"""Two periods of a player side by side, with the change in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, cast

import numpy as np
import pandas as pd
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sidewall.arguments import Table, as_frame, check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.plots.frame import foot, head
from sidewall.plots.gap_axis import format_gap_axis
from sidewall.plots.letters import drawable
from sidewall.plots.style import INK, PAPER, QUIET, dress, look
from sidewall.plots.words import count, plain, signed

__all__ = ["plot_progress"]

_NEEDED: Final = (
    *("player", "measure", "side", "family", "unit", "verdict", "before", "after", "change"),
    *("before_low", "before_high", "after_low", "after_high"),
    *("change_low", "change_high", "smallest_change"),
    *("n_before", "n_after", "matters"),
)
_FAMILY: Final = {"ground": "after the bounce", "volley": "volley"}
_NAMES: Final = {"forced": "tight balls attacked", "passed up": "loose balls reset"}
#: Height of a comparison: a heading, words, then one bar for each period.
_STEP: Final = 4.0
_WIDTH_IN, _LINE_IN = 5.6, 0.27
_STYLE: Final[dict[str, dict[str, Any]]] = {
    "before": {"color": QUIET, "ls": (0, (3, 1.5)), "mfc": PAPER},
    "after": {"color": INK, "ls": "-", "mfc": INK},
}


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
    unit
        Unit of gaps: cm, m, in or boards.
    board_width_m
        Width of a floorboard, for boards.
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
    rows = cast(list[dict[str, Any]], table.to_dict("records"))
    kinds = [kind for kind in ("m", "share") if any(row["unit"] == kind for row in rows)]
    panels = [[row for row in rows if row["unit"] == kind] for kind in kinds]
    axes = _axes(ax, panels)
    for panel, kind, some in zip(axes, kinds, panels, strict=True):
        _panel(panel, some, kind, words)
    if ax is None:
        figure = cast(Figure, axes[0].figure)
        head(figure, f"{plain(players[0])}: before and after")
        foot(figure, _foot(table, level))
    return axes


def _axes(ax: Sequence[Axes] | None, panels: list[list[dict[str, Any]]]) -> NDArray[np.object_]:
    if ax is not None:
        given = np.asarray(ax, dtype=object).ravel()
        if given.size != len(panels):
            raise DataError(f"The picture takes {len(panels)} axes; {given.size} given.")
        return given
    sizes = [_STEP * len(rows) + 2.5 for rows in panels]
    with look():
        _, fresh = plt.subplots(
            len(panels),
            1,
            figsize=(_WIDTH_IN, _LINE_IN * sum(sizes) + 2.0),
            height_ratios=sizes,
            layout="constrained",
            squeeze=False,
        )
    return cast(NDArray[np.object_], fresh[:, 0])


def _panel(ax: Axes, rows: list[dict[str, Any]], kind: str, words: GapWords) -> None:
    ends = [row[f"{when}{end}"] for row in rows for when in _STYLE for end in ("_low", "_high", "")]
    known = [float(end) for end in ends if np.isfinite(end)]
    low, high = min([0.0, *known]), max([0.1, *known])
    ax.set_xlim(low - 0.02 * (high - low), high + 0.02 * (high - low))
    ax.set_ylim(-_STEP * len(rows) + 0.4, 0.8)
    ticks = []
    for k, row in enumerate(rows):
        top = -_STEP * k
        _say(ax, top, _name(row), size=10.5, color=QUIET)
        _say(ax, top - 0.85, change_words(row, words), size=11, color=INK, weight="bold")
        for j, (when, style) in enumerate(_STYLE.items()):
            y = top - 1.75 - 0.75 * j
            n = row[f"n_{when}"]
            ticks.append((y, f"{when}, n = {n:,}"))
            if not np.isfinite(row[when]):
                continue
            spans = [row[f"{when}_low"], row[f"{when}_high"]]
            ax.plot(spans, [y, y], color=style["color"], ls=style["ls"], lw=2.4)
            ax.plot(spans, [y, y], color=style["color"], ls="", marker="|", ms=9, mew=1.6)
            ax.plot([row[when]], [y], color=style["color"], mfc=style["mfc"], mew=1.8,
                    marker="o", ms=8, label=f"_{when} {_name(row)}")  # fmt: skip
    ax.set_yticks([y for y, _ in ticks], [said for _, said in ticks])
    dress(ax, grid="x")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)
    if kind == "m":
        format_gap_axis(ax, words.unit, words.board_width_m, label="attack pays from a gap of")
    else:
        ax.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f}")
        ax.set_xlabel("in 100")


def _say(
    ax: Axes, y: float, words: str, *, size: float, color: str, weight: str = "normal"
) -> None:
    words, style = drawable(words, weight)
    ax.text(
        0.0, y, words, transform=ax.get_yaxis_transform(), va="center", fontsize=size, color=color,
        fontweight=weight, bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8}, **style,
    )  # fmt: skip


def _name(row: dict[str, Any]) -> str:
    family = _FAMILY.get(str(row["family"]), str(row["family"]))
    where = " ".join(part for part in (str(row["side"]), family) if part)
    if row["measure"] == "comfort":
        of = f"{row['side'] or 'weaker side'} wins fewer"
        return f"{of}{', ' + family if family else ''}"
    name = _NAMES.get(str(row["measure"]), str(row["measure"]))
    return f"{name}, {where}" if where else name


def change_words(row: dict[str, Any], words: GapWords) -> str:
    """Say a change: the verdict, by how much and between which ends, or what is missing."""
    verdict = str(row["verdict"])
    if not np.isfinite(row["change"]):
        return verdict
    if row["unit"] == "m":
        ends = [words.number(row[name]) for name in ("change", "change_low", "change_high")]
        unit, smallest = f" {words.unit}", words.gap(row["smallest_change"])
    else:
        ends = [f"{100 * row[name]:.0f}" for name in ("change", "change_low", "change_high")]
        unit, smallest = " in 100", f"{100 * row['smallest_change']:.0f} in 100"
    at, low, high = (signed(float(end), len(end.partition(".")[2])) for end in ends)
    if verdict in ("better", "worse"):
        return f"{verdict}: {at}{unit} ({low} to {high})"
    return f"{verdict} ({smallest} would show)"


def _foot(table: pd.DataFrame, level: float) -> str:
    looked = int(table["p"].notna().sum()) if "p" in table.columns else len(table)
    return (
        f"Bars: {level:.0%} intervals. Better or worse is said only where it holds with all "
        f'{count(looked, "comparison")} allowed for (Holm). "Would show": the true change '
        "that so much data shows four times in five, looked at alone. A change of opponents, "
        "court or ball is a change too."
    )
