"""The loose threshold in one picture: where attacking starts to beat resetting.

Below the curves a bar: at which gaps one choice is right at least 4 times in 5.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, product
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypedDict, Unpack, overload

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.layout_engine import ConstrainedLayoutEngine
from numpy.typing import NDArray

from sidewall.arguments import check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.log.vocabulary import CHOICES
from sidewall.models.answers import CROSSES, LEAST_OWN, NOT_KNOWN
from sidewall.numbers import count
from sidewall.plots.frame import cell_panels, frame
from sidewall.plots.style import (
    CHOICE_STYLE,
    FAINT,
    INK,
    QUIET,
    THRESHOLD,
    dress,
    format_gap_axis,
    new_axes,
    note_below,
    text_on,
    words_at,
)
from sidewall.plots.words import (
    answer_words,
    board_width_of,
    capital,
    cell_words,
    known_player,
    outcome_words,
    plain,
    records,
)

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: How sure a choice must be before the bar names it.
OFTEN: Final = 0.8
#: Lower and upper edge of the bar, on an axis of per cent.
STRIP: Final = (-24.0, -11.5)

_OPEN: Final = "too close to call"


class Stretch(NamedTuple):
    """Gaps from `low_m` to `high_m` at which `choice` is right often enough, or neither is."""

    choice: str
    low_m: float
    high_m: float


def stretches(curve: pd.DataFrame, widest_m: float) -> list[Stretch]:
    """Cut the gaps into stretches by the choice that is right at least 4 times in 5.

    The curve is of one player, side and family, gaps rising; the last stretch ends at `widest_m`.
    They are in order, without holes; ``choice`` is attack, reset or too close to call.
    """
    better = curve["p_attack_sure"].to_numpy()
    names = np.where(better >= OFTEN, "attack", np.where(1 - better >= OFTEN, "reset", _OPEN))
    found: list[Stretch] = []
    for name, rows in groupby(zip(names, curve["gap_m"], strict=True), key=lambda row: row[0]):
        first = float(next(rows)[1])
        if found:
            found[-1] = found[-1]._replace(high_m=first)
        found.append(Stretch(str(name), first, widest_m))
    return found


def choice_strip(ax: Axes, curve: pd.DataFrame, widest_m: float) -> None:
    """Draw the stretches as a bar with the choice written in it."""
    reach = ax.get_xlim()[1]
    for choice, low, high in stretches(curve, widest_m):
        colour = FAINT if choice == _OPEN else CHOICE_STYLE[choice]["color"]
        ax.fill_between([low, high], *STRIP, color=colour, lw=0, zorder=3, label=f"_strip {choice}")
        for words in (choice, "unsure") if choice == _OPEN else (choice,):
            if (high - low) / reach > 0.024 * len(words):
                middle = (low + high) / 2, sum(STRIP) / 2 - 0.4
                look: Any = {"ha": "center", "va": "center", "color": text_on(colour)}
                ax.text(*middle, words, fontsize=9.5, zorder=4, **look)
                break


def sure_words(curve: pd.DataFrame, words: GapWords) -> str:
    """Say from which gap on, or up to which, a choice is right 4 times in 5; may be empty."""
    parts = stretches(curve, np.inf)
    if not parts:
        return ""
    if len(parts) == 1 and parts[0].choice != _OPEN:
        return f"{parts[0].choice} is right 4 times in 5 at any gap"
    if parts[-1].choice == "attack":
        return f"attack is right 4 times in 5 from {words.gap(parts[-1].low_m)}"
    if parts[0].choice == "reset":
        return f"reset is right 4 times in 5 up to {words.gap(parts[0].high_m)}"
    return ""


#: Where things stand on an axis of per cent; nothing but curves lies between 0 and 100.
_RUG: Final = {"attack": (102.0, 108.0), "reset": (-8.5, -2.5)}
_BRACKET: Final = 97.0
_BESIDE: Final = 90.0
#: Curves' names need this much room to the right of the widest gap.
_ROOM: Final = 1.17
_CURVE_NAMES_APART: Final = 9.0


class _Look(TypedDict, total=False):
    """What the reader may choose; see `plot_threshold`."""

    unit: str
    board_width_m: float | None
    level: float
    strip: bool
    beside: TightnessModel | None
    rule: pd.DataFrame | None
    truth: pd.DataFrame | None


@dataclass(frozen=True)
class ThresholdTables:
    """What is known of one player's thresholds, as the player's rows of :class:`TightnessModel`.

    `truth` has ``side``, ``family`` and ``threshold_m`` of a simulated player; `beside` the answers
    judged by the other outcome, which is named `beside_name`.
    """

    answers: pd.DataFrame
    curves: pd.DataFrame
    shots: pd.DataFrame
    rule: pd.DataFrame | None = None
    truth: pd.DataFrame | None = None
    beside: pd.DataFrame | None = None
    beside_name: str = ""

    def reach_m(self, sides: Sequence[str], families: Sequence[str]) -> float:
        """Widest gap of several panels, so that they share a scale and compare by eye."""
        rows = self.answers
        some = rows[rows["side"].isin(list(sides)) & rows["family"].isin(list(families))]
        widest = float(some["gap_max_m"].max())
        return widest if np.isfinite(widest) else 1.0


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str,
    family: str,
    *,
    ax: Axes | None = ...,
    **look: Unpack[_Look],
) -> Axes: ...


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str | None = ...,
    family: str | None = ...,
    *,
    ax: Axes,
    **look: Unpack[_Look],
) -> Axes: ...


@overload
def plot_threshold(
    model: TightnessModel, player: str, *, ax: None = ..., **look: Unpack[_Look]
) -> NDArray[np.object_]: ...


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str | None = ...,
    family: str | None = ...,
    *,
    ax: Axes | None = ...,
    **look: Unpack[_Look],
) -> Axes | NDArray[np.object_]: ...


def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str | None = None,
    family: str | None = None,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.95,
    strip: bool = True,
    beside: TightnessModel | None = None,
    rule: pd.DataFrame | None = None,
    truth: pd.DataFrame | None = None,
    ax: Axes | None = None,
) -> Axes | NDArray[np.object_]:
    """Draw a player's chance of winning the rally against the gap, attacking and resetting.

    Each panel shows the two curves with bands, the threshold with its interval, and the
    player's own shots (attacks along the top, resets along the bottom), and says the answer
    in words. Nothing is drawn beyond the widest gap that the log can speak of.

    Parameters
    ----------
    model
        A fitted model.
    player
        Whose threshold.
    side, family
        Forehand or backhand, ground or volley; None for each there is.
    unit
        Unit of the gap axis: cm, m, in or boards.
    board_width_m
        Width of a floorboard, for a second axis in boards; taken from the log where all of
        the player's matches share one.
    level
        Confidence level of bands and intervals.
    strip
        Whether to show along the bottom which choice is right at least 4 times in 5.
    beside
        A second model of the same log, judged by the other outcome, whose thresholds are
        drawn and said beside.
    rule
        From :meth:`TightnessModel.rule`: the gap to play by is drawn in place of the threshold,
        whose interval stays as a band; the words are left to what stands beside the picture.
        Where the threshold is not known yet the line is dashed and pale.
    truth
        Of simulated players: ``player``, ``side``, ``family`` and ``threshold_m``, drawn as a
        diamond on the axis.
    ax
        Axes for a single panel; a new figure if None.

    Returns
    -------
    Axes or ndarray of Axes
        One panel where one side and family are asked for, else an array, families by sides.

    Raises
    ------
    NotFittedError
        If the model is not fitted.
    DataError
        If the model does not know the player, side or family, or `ax` is given for more than
        one panel.
    UnitError
        If the unit is unknown, or boards are asked for and their width is not known.

    See Also
    --------
    TightnessModel.thresholds
    plot_thresholds_by
    plot_comfort

    Examples
    --------
    >>> ax = sw.plot_threshold(model, "Rowan", "backhand", "ground", unit="cm")
    >>> axes = sw.plot_threshold(model, "Rowan")
    >>> axes.shape
    (2, 2)
    """
    check_level(level)
    player = known_player(model, player)
    sides = _asked("side", side, [cell[0] for cell in model.cells_])
    families = _asked("family", family, [cell[1] for cell in model.cells_])
    words = GapWords(unit, board_width_of(model, player, board_width_m))

    def own(table: pd.DataFrame) -> pd.DataFrame:
        return table[struck_by(table, player)]

    if beside is not None:
        known_player(beside, player, "beside")
    tables = ThresholdTables(
        model.thresholds(level, player=player),
        model.curves(level=level, player=player),
        own(model.used_),
        None if rule is None else own(rule),
        None if truth is None else own(truth),
        None if beside is None else beside.thresholds(level, player=player),
        "" if beside is None else f"by {beside.outcome}",
    )
    size = max(4.0 * len(sides), 5.2), 4.4 * len(families) + 0.6
    axes = cell_panels(ax, families, sides, size, ConstrainedLayoutEngine(hspace=0.05))
    reach = tables.reach_m(sides, families)
    for (i, name), (j, other) in product(enumerate(families), enumerate(sides)):
        draw_threshold(tables, other, name, words, strip=strip, reach_m=reach, ax=axes[i, j])
        if j:
            axes[i, j].set_ylabel("")
    if ax is None:
        notes = [
            outcome_words(model.outcome),
            *([] if beside is None else [f"Grey bracket: {outcome_words(beside.outcome).lower()}"]),
            f"Bands, bracket and shaded span: {level:.0%} intervals.",
            "Fine lines along the top: own attacks; below: own resets.",
            *([] if truth is None else ["Diamond: the true threshold of this simulated player."]),
            *(f"{capital(note)}." for note in model.notes_),
            *(["Bar: the choice that is right at least 4 times in 5."] if strip else []),
        ]
        frame(axes[0, 0], f"{plain(player)}: when does attacking pay?", " ".join(notes))
    return axes[0, 0] if axes.size == 1 else axes


def _asked(what: str, asked: str | None, known: list[str]) -> list[str]:
    known = list(dict.fromkeys(known))
    if asked is None:
        return known
    if asked not in known:
        raise DataError(f"There is no {what} {asked!r} in the model; use {' or '.join(known)}.")
    return [asked]


def draw_threshold(
    tables: ThresholdTables,
    side: str,
    family: str,
    words: GapWords,
    *,
    strip: bool = True,
    reach_m: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw one panel from the tables of one player, without the heading of a figure.

    `words` has the reader's unit, and the width of a board for a second axis; `strip` is as in
    `plot_threshold`; `reach_m` is the widest gap of the axis, by default the panel's own.
    """
    ax = new_axes(ax, size=(5.6, 4.9))
    answer = records(_cell(tables.answers, side, family))[0]
    curve, shots = (_cell(table, side, family) for table in (tables.curves, tables.shots))
    rule, truth, other = (
        None if table is None else next(iter(records(_cell(table, side, family))), None)
        for table in (tables.rule, tables.truth, tables.beside)
    )
    widest = float(answer["gap_max_m"])
    _scales(ax, tables.reach_m([side], [family]) if reach_m is None else reach_m, strip)
    second = format_gap_axis(ax, words.unit, words.board_width_m)
    says, known = "no such shot charted", ""
    if len(shots):
        _curves(ax, curve, widest)
        _threshold(ax, answer, rule, widest)
        _truth(ax, truth)
        _rugs(ax, shots, widest)
        if strip:
            choice_strip(ax, curve, widest)
        if other is not None:
            _bracket_beside(ax, other)
        says, known = answer_words(answer, words)
        if min(answer["n_attack"], answer["n_reset"]) >= LEAST_OWN:  # else it is the club's
            known = known or sure_words(curve, words)
    if rule is None or not len(shots):
        lines = [known] if known or tables.beside is None else []
        if other is not None:
            lines.append(f"{tables.beside_name}: {answer_words(other, words)[0]}")
        _heading(ax, cell_words(side, family), says, lines, second is not None)
    n = [int(answer[name]) for name in ("n_attack", "n_reset", "n_rallies")]
    text = f"n = {count(n[0], 'attack')}, {count(n[1], 'reset')}, {count(n[2], 'rally', 'rallies')}"
    note_below(ax, text, 40, 10)
    return ax


def _cell(table: pd.DataFrame, side: str, family: str) -> pd.DataFrame:
    return table[(table["side"] == side) & (table["family"] == family)]


def _scales(ax: Axes, reach: float, strip: bool) -> None:
    ax.set_ylim(STRIP[0] - 2 if strip else -12.0, 110.0)
    ax.set_xlim(0.0, _ROOM * reach)
    ax.set_yticks(range(0, 101, 20))
    dress(ax)
    ax.spines["left"].set_bounds(0, 100)
    ax.set_ylabel("chance of winning the rally (%)")


def _curves(ax: Axes, curve: pd.DataFrame, widest: float) -> None:
    gap = curve["gap_m"].to_numpy()
    ends = []
    ax.plot([0, widest], [50, 50], color=QUIET, lw=0.8, zorder=1, label="_even")
    for choice in CHOICES:
        style = {k: v for k, v in CHOICE_STYLE[choice].items() if k != "marker"}
        low, mid, high = (
            100 * curve[name].to_numpy() for name in (f"{choice}_low", choice, f"{choice}_high")
        )
        ax.fill_between(gap, low, high, color=style["color"], alpha=0.17, lw=0, zorder=2)
        for edge in (low, high):
            ax.plot(gap, edge, lw=0.7, alpha=0.7, zorder=2.5, **style)
        ax.plot(gap, mid, lw=2.4, label=choice, zorder=4, **style)
        ends.append(float(mid[-1]))
    apart = max(abs(ends[0] - ends[1]), _CURVE_NAMES_APART) / 2
    middle = float(np.clip(sum(ends) / 2, apart, 100 - apart))
    for choice, up in zip(CHOICES, (1, -1) if ends[0] >= ends[1] else (-1, 1), strict=True):
        look: Any = {"color": CHOICE_STYLE[choice]["color"], "fontsize": 11, "fontweight": "bold"}
        ax.text(widest * 1.012, middle + up * apart, choice, va="center", **look)


def _threshold(
    ax: Axes, answer: dict[str, Any], rule: dict[str, Any] | None, widest: float
) -> None:
    low, high = float(answer["threshold_low_m"]), float(answer["threshold_high_m"])
    crosses, is_open = answer["status"] == CROSSES, answer["status"] == NOT_KNOWN
    if crosses or (is_open and rule is not None):  # an open end reaches to the end of what was met
        ends = [low if np.isfinite(low) else 0.0, high if np.isfinite(high) else widest]
        ax.fill_between(
            ends, 0, 100, color=THRESHOLD, alpha=0.10, lw=0, zorder=1.5, label="_interval"
        )
    if rule is not None:
        at = float(rule["rule_m"])
        look = {"lw": 2.0, "ls": (0, (3, 2)), "alpha": 0.6} if is_open else {"lw": 3.0}
        ax.plot([at, at], [0, 100], color=THRESHOLD, zorder=3, label="_rule", **look)
        return
    if crosses:
        at = float(answer["threshold_m"])
        ax.plot([at, at], [0, 100], color=THRESHOLD, lw=1.8, zorder=3, label="_threshold")
        ax.plot([low, high], [_BRACKET] * 2, color=THRESHOLD, lw=1.6, marker="|", ms=9, zorder=3)
        ax.plot([at], [_BRACKET], color=THRESHOLD, marker="o", ms=5.5, zorder=3.5)
        return
    for end in (low, high):
        if np.isfinite(end):
            ax.plot([end] * 2, [0, 100], color=THRESHOLD, lw=1.4, ls=(0, (1, 2)), zorder=3)


def _truth(ax: Axes, row: dict[str, Any] | None) -> None:
    if row is not None and np.isfinite(row["threshold_m"]):
        look: dict[str, Any] = {"color": INK, "marker": "D", "ms": 8, "zorder": 5}
        ax.plot([row["threshold_m"]], [4.0], mfc="white", mew=2.0, label="_truth", **look)


def _rugs(ax: Axes, shots: pd.DataFrame, widest: float) -> None:
    for choice in CHOICES:
        gaps = shots.loc[shots["choice"] == choice, "gap_m"].to_numpy()
        gaps = gaps[gaps <= widest]
        # faint where there are many, so that crowds show as darker
        alpha = float(np.clip(25 / max(len(gaps), 1), 0.12, 0.7))
        colour = CHOICE_STYLE[choice]["color"]
        ax.vlines(gaps, *_RUG[choice], color=colour, alpha=alpha, lw=0.9, label=f"_{choice} shots")


def _bracket_beside(ax: Axes, answer: dict[str, Any]) -> None:
    """The other outcome's threshold, as a thin grey bracket under the first."""
    if answer["status"] == CROSSES:
        ends, at = [answer["threshold_low_m"], answer["threshold_high_m"]], answer["threshold_m"]
        ax.plot(ends, [_BESIDE] * 2, color=QUIET, lw=1.2, marker="|", ms=7, zorder=3.2)
        ax.plot([at], [_BESIDE], color=QUIET, marker="o", ms=4, zorder=3.4, label="_beside")


def _heading(ax: Axes, cell: str, says: str, lines: list[str], boards: bool) -> None:
    """Write cell, answer and what else is known above the panel, and above a second axis."""
    base = (36 if boards else 6) + 14 * (len(lines) - 1)
    corner = (0.0, 1.0)
    for k, line in enumerate(lines):
        colour = QUIET if k else INK
        words_at(ax, line, corner, (0, base - 14 * k), va="bottom", fontsize=10.5, color=colour)
    bold: Any = {"fontsize": 11.5, "fontweight": "bold", "color": INK}
    words_at(ax, capital(says), corner, (0, base + 15), va="bottom", **bold)
    words_at(ax, cell, corner, (0, base + 33), va="bottom", fontsize=11, color=QUIET)
