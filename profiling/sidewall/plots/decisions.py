"""How often a player attacks at each gap, beside the gap from which attacking pays."""

from __future__ import annotations

from itertools import product
from typing import Any, Final, TypedDict, Unpack, overload

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter
from numpy.typing import NDArray

from sidewall.arguments import Table, as_frame, check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features.coded import need_columns, struck_by
from sidewall.features.rates import clustered_rate
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.models.answers import CROSSES
from sidewall.models.counted import ALL_STROKES
from sidewall.numbers import count, number
from sidewall.plots.frame import cell_panels, frame
from sidewall.plots.style import (
    ATTACK,
    INK,
    MUTED,
    QUIET,
    RESET,
    THRESHOLD,
    dress,
    format_gap_axis,
    title,
)
from sidewall.plots.words import cell_words, plain

_NEEDED: Final = (
    *("player", "side", "family", "choice", "gap_m", "decision", "points", "rally_id"),
    *("status", "threshold_m", "threshold_low_m", "threshold_high_m"),
)
#: Steps of the gap in metres, wider where balls are few; they go up to the gap that all
#: but one ball in a hundred stay below.
_EDGES_M: Final = (*(0.1 * k for k in range(8)), 0.8, 1.0, 1.2, 1.6, 2.0, 2.6, 3.2)
_WIDEST: Final = 0.99
#: Room above 100% for the words.
_TOP: Final = 1.27


class _Look(TypedDict, total=False):
    """What the reader may choose; see `plot_decisions`."""

    unit: str
    board_width_m: float | None
    level: float
    bare: bool


@overload
def plot_decisions(
    table: Table,
    player: str,
    side: str,
    family: str,
    *,
    ax: Axes | None = ...,
    **look: Unpack[_Look],
) -> Axes: ...


@overload
def plot_decisions(
    table: Table,
    player: str,
    side: str | None = ...,
    family: str | None = ...,
    *,
    ax: Axes,
    **look: Unpack[_Look],
) -> Axes: ...


@overload
def plot_decisions(
    table: Table,
    player: str,
    side: str | None = ...,
    family: str | None = ...,
    *,
    ax: Axes | None = ...,
    **look: Unpack[_Look],
) -> Axes | NDArray[np.object_]: ...


def plot_decisions(
    table: Table,
    player: str,
    side: str | None = None,
    family: str | None = None,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.95,
    bare: bool = False,
    ax: Axes | None = None,
) -> Axes | NDArray[np.object_]:
    """Draw the share of balls attacked at each gap against the player's own threshold.

    One panel a side and stroke family. Dots: the share attacked, with intervals, in steps of
    10 cm, wider where balls are few. The red line is the player's threshold, the band its
    interval. Every ball was judged in its own situation: filled from below are attacks of
    balls that were surely tight (forced), from above resets of balls that were surely loose
    (passed up). The words count both and say what they cost.

    Parameters
    ----------
    table
        From `sidewall.decisions.judged`.
    player
        Whose decisions.
    side, family
        Of a single panel; None for each there is.
    unit, board_width_m
        Of the gap axis, cm, m, in or boards; with a width, a second axis shows boards.
    level
        Confidence level of the intervals.
    bare
        Leave out the counts in words and the line of the threshold, where they stand beside.
    ax
        Axes for a single panel; a new figure if None.

    Returns
    -------
    Axes or ndarray of Axes
        One panel where one side and family are asked for, else an array, families by sides.

    Raises
    ------
    DataError
        If the table is not one of decisions, or holds none of what is asked for.

    See Also
    --------
    decision_table
    decisions_by

    Examples
    --------
    >>> from sidewall.decisions import decisions
    >>> ax = sw.plot_decisions(decisions(shots, model), "Rowan", "backhand", "ground")
    """
    table = as_frame(table, "table")
    check_level(level)
    need_columns(table, _NEEDED)
    own = table[struck_by(table, player)]
    if not len(own):
        known = ", ".join(map(str, table["player"].unique())) or "nobody"
        raise DataError(f"{player!r} has no decisions in the table; those who have: {known}")
    sides = _asked("side", side, [one for one in SIDES if (own["side"] == one).any()])
    order = (*FAMILIES, ALL_STROKES)
    families = _asked("family", family, [one for one in order if (own["family"] == one).any()])
    words = GapWords(unit, board_width_m)
    reach = float(own["gap_m"].quantile(_WIDEST))
    size = max(4.2 * len(sides), 5.4), 3.5 * len(families) + 1.0
    axes = cell_panels(ax, families, sides, size)
    for (i, name), (j, other) in product(enumerate(families), enumerate(sides)):
        _panel(axes[i, j], own, other, name, reach, words, level, bare)
        if j:
            axes[i, j].set_ylabel("")
    if ax is None:
        frame(
            axes[0, 0],
            f"{plain(player)}: which balls are attacked",
            f"Dots: share attacked, {level:.0%} intervals. Red: the threshold and its interval. "
            "From below, orange: forced, attacked though surely tight. From above, "
            "blue: passed up, reset though surely loose. Cost: rallies, over all charted matches.",
        )
    return axes[0, 0] if axes.size == 1 else axes


def _asked(what: str, asked: str | None, known: list[str]) -> list[str]:
    if asked is None:
        return known
    if asked not in known:
        raise DataError(f"no decision with {what} {asked!r}; there are: {', '.join(known)}")
    return [asked]


def _panel(
    ax: Axes,
    own: pd.DataFrame,
    side: str,
    family: str,
    reach: float,
    words: GapWords,
    level: float,
    bare: bool,
) -> None:
    cell = own[(own["side"] == side) & (own["family"] == family)]
    if not bare:
        title(ax, cell_words(side, family))
    ax.set_xlim(0.0, reach)
    ax.set_ylim(0.0, _TOP)
    ax.set_yticks(np.linspace(0.0, 1.0, 6))
    dress(ax)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0))
    ax.set_ylabel("balls attacked")
    format_gap_axis(ax, words.unit, words.board_width_m)
    if not len(cell):
        _say(ax, "none charted", "")
        return
    _band(ax, cell, reach, bare)
    _bars(ax, cell, reach, level)
    _say(ax, *(("", f"n = {count(len(cell), 'shot')}") if bare else _costs(cell)))


def _band(ax: Axes, cell: pd.DataFrame, reach: float, bare: bool) -> None:
    columns = ["status", "threshold_m", "threshold_low_m", "threshold_high_m"]
    answers = cell[columns].drop_duplicates()
    if len(answers) > 1:  # more than one situation, each with a threshold of its own
        return
    one = answers.iloc[0]
    if one["status"] == CROSSES:
        ends = max(one["threshold_low_m"], 0.0), min(one["threshold_high_m"], reach)
        ax.axvspan(*ends, ymax=1.0 / _TOP, color=THRESHOLD, alpha=0.14, lw=0, label="_band")
        if bare:
            return
        at = [one["threshold_m"]] * 2
        ax.plot(at, [0.0, 1.0], color=THRESHOLD, lw=1.8, zorder=2, label="_threshold")


def _bars(ax: Axes, cell: pd.DataFrame, reach: float, level: float) -> None:
    """Shares of each step, and what of them was forced or passed up."""
    edges = np.append([edge for edge in _EDGES_M if edge < reach], reach)
    steps = len(edges) - 1
    step = np.searchsorted(edges, cell["gap_m"].to_numpy(), side="right") - 1
    inside = step < steps
    some, step = cell[inside], step[inside].astype(np.int64)
    rally = pd.factorize(some["rally_id"])[0].astype(np.int64)
    shares = {
        name: clustered_rate(np.asarray(hit, dtype=np.float64), rally, step, steps, level)
        for name, hit in (
            ("attack", some["choice"] == "attack"),
            ("forced", some["decision"] == "forced"),
            ("passed up", some["decision"] == "passed up"),
        )
    }
    rate = shares["attack"]
    met = rate.n > 0
    middle, width = (edges[:-1] + edges[1:]) / 2.0, np.diff(edges)
    for name, colour, top in (("forced", ATTACK, False), ("passed up", RESET, True)):
        part = np.nan_to_num(shares[name].rate)
        ax.bar(
            middle, part, width=width - 0.008, bottom=1.0 - part if top else 0.0,
            color=colour, alpha=0.45, lw=0, zorder=1, label=f"_{name}",
        )  # fmt: skip
    ends = np.vstack([rate.rate - rate.low, rate.high - rate.rate])[:, met]
    ax.errorbar(
        middle[met], rate.rate[met], np.maximum(ends, 0.0), fmt="o", ms=5, color=INK,
        ecolor=MUTED, lw=1.4, zorder=3, label="_attacked",
    )  # fmt: skip


def _costs(cell: pd.DataFrame) -> tuple[str, str]:
    """What was forced and passed up, and that it cost, in words."""
    lines = []
    for decision, other, noun in (
        ("forced", "reset tight", "tight"),
        ("passed up", "attacked loose", "loose"),
    ):
        mine = cell["decision"] == decision
        n, of = int(mine.sum()), int((mine | (cell["decision"] == other)).sum())
        if of == 0:
            lines.append(f"no ball surely {noun}")
            continue
        cost = f", cost {number(-float(cell.loc[mine, 'points'].sum()), 1)}" if n else ""
        lines.append(f"{decision}: {n:,} of {of:,} {noun}{cost}")
    unknown = int((cell["decision"] == "not known yet").sum())
    if unknown:
        lines.append(f"not known yet: {unknown:,}")
    return "\n".join(lines), f"n = {count(len(cell), 'shot')}"


def _say(ax: Axes, words: str, n: str) -> None:
    place: dict[str, Any] = {"transform": ax.transAxes, "fontsize": 9.5, "zorder": 4}
    ax.text(0.01, 1.0, words, va="top", color=INK, **place)
    if n:
        ax.text(1.0, 1.0, n, ha="right", va="top", color=QUIET, **place)
