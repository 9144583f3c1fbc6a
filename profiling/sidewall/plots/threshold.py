"""The loose threshold in one picture: where attacking starts to beat resetting."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast, overload

import numpy as np
import pandas as pd
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from numpy.typing import NDArray

from sidewall.arguments import check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.log.vocabulary import CHOICES
from sidewall.models.answers import CROSSES
from sidewall.plots.frame import foot, head
from sidewall.plots.gap_axis import format_gap_axis
from sidewall.plots.strip import STRIP, choice_strip, sure_words
from sidewall.plots.style import (
    CHOICE_STYLE,
    INK,
    QUIET,
    THRESHOLD,
    dress,
    look,
    new_axes,
    note_below,
)
from sidewall.plots.words import (
    answer_words,
    board_width_of,
    cell_words,
    count,
    known_player,
    outcome_words,
    plain,
    rows_by,
)

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["plot_threshold"]

#: Where things stand on an axis of per cent; nothing but curves lies between 0 and 100.
_RUG: Final = {"attack": (102.0, 108.0), "reset": (-8.5, -2.5)}
_BRACKET: Final = 97.0
_BESIDE: Final = 90.0
#: Curves' names need this much room to the right of the widest gap.
_ROOM: Final = 1.17
_CURVE_NAMES_APART: Final = 9.0


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str,
    family: str,
    *,
    unit: str = ...,
    board_width_m: float | None = ...,
    level: float = ...,
    strip: bool = ...,
    beside: TightnessModel | None = ...,
    rule: pd.DataFrame | None = ...,
    truth: pd.DataFrame | None = ...,
    ax: Axes | None = ...,
) -> Axes: ...


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str | None = ...,
    family: str | None = ...,
    *,
    unit: str = ...,
    board_width_m: float | None = ...,
    level: float = ...,
    strip: bool = ...,
    beside: TightnessModel | None = ...,
    rule: pd.DataFrame | None = ...,
    truth: pd.DataFrame | None = ...,
    ax: Axes,
) -> Axes: ...


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: None = ...,
    family: None = ...,
    *,
    unit: str = ...,
    board_width_m: float | None = ...,
    level: float = ...,
    strip: bool = ...,
    beside: TightnessModel | None = ...,
    rule: pd.DataFrame | None = ...,
    truth: pd.DataFrame | None = ...,
    ax: None = ...,
) -> NDArray[np.object_]: ...


@overload
def plot_threshold(
    model: TightnessModel,
    player: str,
    side: str | None = ...,
    family: str | None = ...,
    *,
    unit: str = ...,
    board_width_m: float | None = ...,
    level: float = ...,
    strip: bool = ...,
    beside: TightnessModel | None = ...,
    rule: pd.DataFrame | None = ...,
    truth: pd.DataFrame | None = ...,
    ax: Axes | None = ...,
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
    truth
        Of simulated players: ``player``, ``side``, ``family`` and ``threshold_m``, drawn as a
        diamond on the axis.
    ax
        Axes for a single panel; a new figure if None. A figure without a layout of its own is
        given matplotlib's constrained one, so that the words above a panel have room.

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
    """
    check_level(level)
    player = known_player(model, player)
    sides = _asked("side", side, [cell[0] for cell in model.cells_])
    families = _asked("family", family, [cell[1] for cell in model.cells_])
    width = board_width_of(model, player, board_width_m)
    words = GapWords(unit, width)
    panels = _Panels(model, player, words, level, strip, beside, rule, truth)
    if len(sides) == len(families) == 1:
        own = ax is None
        ax = new_axes(ax, size=(5.6, 4.9))
        panels.draw(ax, sides[0], families[0], panels.reach(sides, families))
        whole = ax.get_figure(root=True)
        if own:
            panels.frame(ax)
        elif whole is not None and whole.get_layout_engine() is None:
            whole.set_layout_engine("constrained")
        return ax
    if ax is not None:
        raise DataError("ax holds one panel: name the side and the family to draw into it.")
    with look():
        shape = len(families), len(sides)
        size = (max(4.0 * shape[1], 5.2), 4.4 * shape[0] + 0.6)
        layout = ConstrainedLayoutEngine(hspace=0.05)
        _, axes = plt.subplots(*shape, figsize=size, layout=layout, squeeze=False)
    reach = panels.reach(sides, families)
    for i, one in enumerate(families):
        for j, other in enumerate(sides):
            panels.draw(axes[i, j], other, one, reach)
            if j:
                axes[i, j].set_ylabel("")
    panels.frame(axes[0, 0])
    return cast(NDArray[np.object_], axes)


def _asked(what: str, asked: str | None, known: list[str]) -> list[str]:
    known = list(dict.fromkeys(known))
    if asked is None:
        return known
    if asked not in known:
        raise DataError(f"There is no {what} {asked!r} in the model; use {' or '.join(known)}.")
    return [asked]


class _Panels:
    """Draws the panels of one player; tables are made once for all of them."""

    def __init__(
        self,
        model: TightnessModel,
        player: str,
        words: GapWords,
        level: float,
        strip: bool,
        beside: TightnessModel | None,
        rule: pd.DataFrame | None,
        truth: pd.DataFrame | None,
    ) -> None:
        def own(table: pd.DataFrame) -> pd.DataFrame:
            return table[struck_by(table, player)]

        self.model, self.words, self.strip = model, words, strip
        self.player, self.level, self.outcome_beside = player, level, beside
        self.rule = {} if rule is None else rows_by(own(rule), "side", "family")
        self.truth = {} if truth is None else rows_by(own(truth), "side", "family")
        self.answers = rows_by(own(model.thresholds(level)), "side", "family")
        self.curves = own(model.curves(level=level))
        self.shots = own(model.used_)
        self.beside: dict[tuple[str, ...], dict[str, Any]] = {}
        if beside is not None:
            known_player(beside, player)
            self.beside = rows_by(own(beside.thresholds(level)), "side", "family")
            self.beside_name = f"by {beside.outcome}"

    def reach(self, sides: list[str], families: list[str]) -> float:
        """Widest gap of several panels, so that they share a scale and compare by eye."""
        every = [float(self.answers[s, f]["gap_max_m"]) for s in sides for f in families]
        return max((gap for gap in every if np.isfinite(gap)), default=1.0)

    def draw(self, ax: Axes, side: str, family: str, reach: float) -> None:
        answer = self.answers[side, family]
        curve, shots = (
            table[(table["side"] == side) & (table["family"] == family)]
            for table in (self.curves, self.shots)
        )
        widest = float(answer["gap_max_m"])
        _scales(ax, reach, self.strip)
        second = format_gap_axis(ax, self.words.unit, self.words.board_width_m)
        if len(shots):
            _curves(ax, curve, widest)
            if (side, family) in self.rule:
                answer = answer | {"rule_m": self.rule[side, family]["rule_m"]}
            _threshold(ax, answer)
            _truth(ax, self.truth.get((side, family)))
            _rugs(ax, shots, widest)
            if self.strip:
                choice_strip(ax, curve, widest)
            if (side, family) in self.beside:
                _bracket_beside(ax, self.beside[side, family])
            says, known = answer_words(answer, self.words)
            known = known or sure_words(curve, self.words)
            if "rule_m" in answer:
                _counts(ax, answer)
                return
        else:
            says, known = "no such shot charted", ""
        lines = [known] if known or not self.beside else []
        if (side, family) in self.beside:
            lines.append(
                f"{self.beside_name}: {answer_words(self.beside[side, family], self.words)[0]}"
            )
        _heading(ax, cell_words(self.model, side, family), says, lines, second is not None)
        _counts(ax, answer)

    def frame(self, ax: Axes) -> None:
        """Head a figure of its own, and say below how to read it."""
        figure, beside = cast(Figure, ax.figure), self.outcome_beside
        head(figure, f"{plain(self.player)}: when does attacking pay?")
        notes = [
            outcome_words(self.model),
            *([f"Grey bracket: {outcome_words(beside).lower()}"] if beside is not None else []),
            f"Bands, bracket and shaded span: {self.level:.0%} intervals.",
            "Fine lines along the top: own attacks; below: own resets.",
            *(["Diamond: the true threshold of this simulated player."] if self.truth else []),
        ]
        notes += [f"{note[:1].upper()}{note[1:]}." for note in self.model.notes_]
        if self.strip:
            notes.append("Bar: the choice that is right at least 4 times in 5.")
        foot(figure, " ".join(notes))


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
        ax.text(
            widest * 1.012,
            middle + up * apart,
            choice,
            color=CHOICE_STYLE[choice]["color"],
            fontsize=11,
            fontweight="bold",
            va="center",
        )


def _threshold(ax: Axes, answer: dict[str, Any]) -> None:
    low, high = float(answer["low_m"]), float(answer["high_m"])
    if answer["status"] == CROSSES:
        at = float(answer["threshold_m"])
        ax.fill_between(
            [low, high], 0, 100, color=THRESHOLD, alpha=0.10, lw=0, zorder=1.5, label="_interval"
        )
    if "rule_m" in answer:
        at = float(answer["rule_m"])
        ax.plot([at, at], [0, 100], color=THRESHOLD, lw=3.0, zorder=3, label="_rule")
        return
    if answer["status"] == CROSSES:
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
        ends, at = [answer["low_m"], answer["high_m"]], answer["threshold_m"]
        ax.plot(ends, [_BESIDE] * 2, color=QUIET, lw=1.2, marker="|", ms=7, zorder=3.2)
        ax.plot([at], [_BESIDE], color=QUIET, marker="o", ms=4, zorder=3.4, label="_beside")


def _heading(ax: Axes, cell: str, says: str, lines: list[str], boards: bool) -> None:
    """Write cell, answer and what else is known above the panel, and above a second axis."""
    base = (36 if boards else 6) + 14 * (len(lines) - 1)
    look: dict[str, Any] = {
        "xy": (0.0, 1.0),
        "xycoords": "axes fraction",
        "textcoords": "offset points",
        "va": "bottom",
        "annotation_clip": False,
    }
    for k, line in enumerate(lines):
        colour = QUIET if k else INK
        ax.annotate(line, xytext=(0, base - 14 * k), fontsize=10.5, color=colour, **look)
    says = says[:1].upper() + says[1:]
    ax.annotate(says, xytext=(0, base + 15), fontsize=11.5, fontweight="bold", color=INK, **look)
    ax.annotate(cell, xytext=(0, base + 33), fontsize=11, color=QUIET, **look)


def _counts(ax: Axes, answer: dict[str, Any]) -> None:
    n = [int(answer[name]) for name in ("n_attack", "n_reset", "n_rallies")]
    text = f"n = {count(n[0], 'attack')}, {count(n[1], 'reset')}, {count(n[2], 'rally', 'rallies')}"
    note_below(ax, text, 40, 10)
