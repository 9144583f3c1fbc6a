"""Forehand against backhand: from which gap each may attack, and which side wins more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sidewall.arguments import check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.log.vocabulary import SIDES
from sidewall.models.answers import CROSSES
from sidewall.plots.frame import foot, head
from sidewall.plots.gap_axis import format_gap_axis
from sidewall.plots.style import INK, QUIET, SIDE_STYLE, dress, look
from sidewall.plots.words import (
    board_width_of,
    count,
    family_words,
    known_player,
    outcome_words,
    plain,
    rows_by,
    threshold_difference_words,
    win_difference_words,
)

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["plot_comfort"]

#: A family takes this much height: a line of words, then one bar for each side.
_STEP = 3.0


def plot_comfort(
    model: TightnessModel,
    player: str,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.95,
    ax: Sequence[Axes] | None = None,
) -> NDArray[np.object_]:
    """Compare a player's forehand and backhand, stroke family by stroke family.

    Left, the gap from which attacking pays on either side; right, how many more rallies in a
    hundred the backhand would win than the forehand from the same balls. Both with intervals
    and in words.

    Parameters
    ----------
    model
        A fitted model.
    player
        Whose sides.
    unit
        Unit of the gap axis: cm, m, in or boards.
    board_width_m
        Width of a floorboard, for a second axis in boards; taken from the log where all of
        the player's matches share one.
    level
        Confidence level of the intervals.
    ax
        Two axes, left and right; a new figure if None.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    NotFittedError
        If the model is not fitted.
    DataError
        If the model does not know the player, or `ax` is not two axes.
    UnitError
        If the unit is unknown, or boards are asked for and their width is not known.
    """
    check_level(level)
    player = known_player(model, player)
    words = GapWords(unit, board_width_of(model, player, board_width_m))
    answers = rows_by(model.thresholds(level), "player", "side", "family")
    comfort = rows_by(model.comfort(level), "player", "family")
    families = [family for family in model.families_ if (player, family) in comfort]
    rows = [comfort[player, family] for family in families]
    pair = _pair(ax, len(families))
    _bars(pair[0], [[answers[player, side, f] for side in SIDES] for f in families], words)
    _differences(pair[1], rows)
    for i, family in enumerate(families):
        row, name = rows[i], family_words(model, family).capitalize()
        missing = [side for side in SIDES if row[f"n_{side}"] == 0]
        one_sided = f"no {missing[0]} charted" if missing else ""
        _say(pair[0], i, name, one_sided or threshold_difference_words(row, words))
        sizes = f"n = {row['n_forehand']:,} forehands, {row['n_backhand']:,} backhands"
        _say(pair[1], i, name, one_sided or win_difference_words(row))
        _small(pair[1], i, f"{sizes}, {count(row['n_rallies'], 'rally', 'rallies')}")
    if ax is None:
        figure = cast(Figure, pair[0].figure)
        head(figure, f"{plain(player)}: forehand against backhand")
        same = "Right: what either side would win from the same balls."
        foot(figure, f"{outcome_words(model)} Bars: {level:.0%} intervals. {same}")
    return pair


def _pair(ax: Sequence[Axes] | None, families: int) -> NDArray[np.object_]:
    if ax is None:
        with look():
            _, fresh = plt.subplots(
                1, 2, figsize=(8.4, 2.0 + 1.75 * families), layout="constrained"
            )
        return cast(NDArray[np.object_], fresh)
    pair = np.asarray(ax, dtype=object).ravel()
    if pair.size != 2:
        raise DataError(f"The picture takes two axes, left and right; {pair.size} given.")
    return pair


def _height(family: int, side: int) -> float:
    return -_STEP * family - 1.0 - 0.75 * side


def _bars(ax: Axes, answers: list[list[dict[str, Any]]], words: GapWords) -> None:
    """Thresholds by family, then side, as dots with their intervals."""
    widest = [row["gap_max_m"] for family in answers for row in family]
    ax.set_xlim(0.0, 1.02 * max((gap for gap in widest if np.isfinite(gap)), default=1.0))
    ticks = []
    for i, family in enumerate(answers):
        for j, (side, row) in enumerate(zip(SIDES, family, strict=True)):
            y, style = _height(i, j), SIDE_STYLE[side]
            ticks.append((y, side))
            charted = row["n_attack"] + row["n_reset"] > 0
            if charted and row["status"] == CROSSES:
                ends = [row["low_m"], row["high_m"]]
                ax.plot(ends, [y, y], color=style["color"], ls=style["linestyle"], lw=2.6)
                ax.plot(ends, [y, y], color=style["color"], ls="", marker="|", ms=11, mew=1.8)
                ax.plot(
                    [row["threshold_m"]], [y], color=style["color"], marker=style["marker"],
                    ms=8.5, label=f"_{side} {row['family']}",
                )  # fmt: skip
            else:
                status = str(row["status"]) if charted else "none charted"
                ax.text(
                    0.02 * ax.get_xlim()[1], y, status, va="center", fontsize=10, color=QUIET,
                    bbox=_paper(ax),
                )  # fmt: skip
    _rows(ax, ticks, len(answers))
    format_gap_axis(ax, words.unit, words.board_width_m, label="attack pays from a gap of")


def _differences(ax: Axes, rows: list[dict[str, Any]]) -> None:
    """Backhand minus forehand by family, on an axis with zero in its middle."""
    reach = 5.0
    for i, row in enumerate(rows):
        if not row["n_forehand"] or not row["n_backhand"]:
            continue  # the model would speak of other players only
        y = _height(i, 0) - 0.2
        at, low, high = (
            100.0 * row[name]
            for name in ("win_difference", "win_difference_low", "win_difference_high")
        )
        ax.plot([low, high], [y, y], color=INK, lw=2.4, marker="|", ms=11, mew=1.8)
        ax.plot([at], [y], color=INK, marker="o", ms=8.5, label=f"_difference {row['family']}")
        reach = max(reach, abs(low), abs(high))
    ax.axvline(0.0, color=QUIET, lw=1.2, zorder=1, label="_zero")
    ax.set_xlim(-1.12 * reach, 1.12 * reach)
    _rows(ax, [], len(rows))
    ax.set_xlabel("rallies won in 100: backhand minus forehand")
    for x, words, side in ((0.0, "◀ forehand better", "left"), (1.0, "backhand better ▶", "right")):
        ax.text(x, 1.01, words, transform=ax.transAxes, ha=side, va="bottom", fontsize=9.5,
                color=QUIET)  # fmt: skip


def _paper(ax: Axes) -> dict[str, Any]:
    """Keep grid lines off words."""
    return {"facecolor": ax.get_facecolor(), "edgecolor": "none", "pad": 1.0}


def _rows(ax: Axes, ticks: list[tuple[float, str]], families: int) -> None:
    ax.set_ylim(-_STEP * families + 0.55, 0.75)
    ax.set_yticks([y for y, _ in ticks], [side for _, side in ticks])
    dress(ax, grid="x")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


def _say(ax: Axes, family: int, name: str, words: str) -> None:
    place: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "va": "center"}
    y = -_STEP * family
    ax.text(0.0, y + 0.28, name, fontsize=10.5, color=QUIET, bbox=_paper(ax), **place)
    ax.text(
        0.0, y - 0.28, words, fontsize=10.5, fontweight="bold", color=INK, bbox=_paper(ax), **place
    )


def _small(ax: Axes, family: int, words: str) -> None:
    ax.text(
        0.0,
        _height(family, 1) - 0.1,
        words,
        transform=ax.get_yaxis_transform(),
        va="center",
        fontsize=9.5,
        color=QUIET,
        bbox=_paper(ax),
    )
