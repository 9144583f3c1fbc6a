"""Which shot, and in which situation: thresholds told apart, and the shots of one ball."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np
import pandas as pd
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sidewall.arguments import check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.log.vocabulary import CHOICES
from sidewall.models.answers import CROSSES
from sidewall.plots.frame import foot, head
from sidewall.plots.gap_axis import format_gap_axis
from sidewall.plots.style import (
    CHOICE_STYLE,
    FAINT,
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
    known_player,
    outcome_words,
    plain,
)

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["plot_shot_map", "plot_thresholds_by"]

_GENERAL: Final = "in general"
#: Line styles of strokes, in the order of the vocabulary, beside the colour of their choice.
_LINES: Final = ("-", (0, (5, 2)), (0, (1.5, 1.2)), (0, (6, 1.5, 1.5, 1.5)), (0, (3, 1)))


def plot_thresholds_by(
    model: TightnessModel,
    player: str,
    by: str = "stroke",
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.95,
) -> NDArray[np.object_]:
    """Draw a player's thresholds by stroke, or by situation, beside the general one.

    Parameters
    ----------
    model
        A fitted model.
    player
        Whose thresholds.
    by
        ``"stroke"`` or a column of the situation that the model tells apart.
    unit, board_width_m
        Of the gap axis; see `plot_threshold`.
    level
        Confidence level of the intervals.

    Returns
    -------
    ndarray of Axes
        Families by sides. A hollow dot stands where the log holds too few such shots and the
        general answer stands in.

    Raises
    ------
    NotFittedError
        If the model is not fitted.
    DataError
        If the model does not know the player, or does not tell `by` apart.
    """
    check_level(level)
    player = known_player(model, player)
    width = board_width_of(model, player, board_width_m)
    words = GapWords(unit, width)
    general = _own(model.thresholds(level), player).assign(**{by: _GENERAL, "basis": "own level"})
    table = pd.concat([general, _own(model.thresholds(level, by=by), player)])
    levels = list(dict.fromkeys(table[by]))
    shape = len(model.families_), 2
    with look():
        size = (9.4, shape[0] * (0.42 * len(levels) + 1.5) + 0.8)
        _, axes = plt.subplots(*shape, figsize=size, layout="constrained", squeeze=False)
    reach = float(table["gap_max_m"].max())
    for cell, ax in zip(model.cells_, axes.T.ravel(), strict=True):
        here = table[(table["side"] == cell[0]) & (table["family"] == cell[1])]
        _forest(ax, here.set_index(by).reindex(levels), reach, words)
        format_gap_axis(ax, words.unit, None)
        ax.set_title(cell_words(model, *cell), loc="left", fontsize=11, color=INK)
    figure = cast(Figure, axes[0, 0].figure)
    head(figure, f"{plain(player)}: when does attacking pay, by {by.replace('_', ' ')}?")
    foot(
        figure,
        f"Dot and bar: loose threshold and its {level:.0%} interval. Hollow: too few such shots, "
        f"the answer in general stands in. n = own attacks, resets. {outcome_words(model)}",
    )
    return cast(NDArray[np.object_], axes)


def _own(table: pd.DataFrame, player: str) -> pd.DataFrame:
    return table[struck_by(table, player)]


def _forest(ax: Axes, rows: pd.DataFrame, reach: float, words: GapWords) -> None:
    ax.set_xlim(0.0, reach)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    dress(ax, grid="x")
    labels = []
    for k, (name, row) in enumerate(rows.iterrows()):
        n = f"{int(row['n_attack'])}, {int(row['n_reset'])}"
        labels.append(f"{str(name).replace('_', ' ')}\nn = {n}")
        own = row["basis"] == "own level"
        if row["status"] == CROSSES:
            ends = [float(row["low_m"]), float(row["high_m"])]
            colour = INK if name == _GENERAL else THRESHOLD
            ax.plot(ends, [k, k], color=colour, lw=2.2, alpha=1.0 if own else 0.35, marker="|")
            ax.plot(
                [float(row["threshold_m"])], [k], marker="o", ms=6.5, color=colour, zorder=4,
                markerfacecolor=colour if own else "white", label=f"_{name}",
            )  # fmt: skip
        else:
            said = answer_words(cast(dict[str, Any], row.to_dict()), words)[0]
            ax.text(0.02 * reach, k, said.split(":")[0], va="center", fontsize=9, color=QUIET)
    ax.set_yticks(range(len(rows)), labels, fontsize=9)
    ax.axhline(0.5, color=FAINT, lw=1.0)


def plot_shot_map(
    model: TightnessModel,
    player: str,
    side: str,
    family: str | None = None,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.8,
    ax: Axes | None = None,
    **situation: str,
) -> Axes:
    """Draw the chance of winning the rally with every stroke, against the gap of the ball.

    Parameters
    ----------
    model
        A fitted model that tells strokes apart.
    player, side, family
        Whose ball; family may be left out where there is one.
    unit, board_width_m
        Of the gap axis.
    level
        Of the band of the best attack and the best reset.
    ax
        Axes to draw into; a new figure if None.
    **situation
        Levels of depth, balance and so on, such as ``depth="back"``.

    Returns
    -------
    Axes
        A line a stroke that the player plays at least five times from there, and the band of
        the best of each choice.

    Raises
    ------
    DataError
        If the player, the ball or the situation is not known to the model, or no stroke has
        five own shots.
    """
    cut = 0.5 * (1.0 - check_level(level))
    player = known_player(model, player)
    i, posterior = model.players_.index(player), model.posterior_
    family = model.families_[0] if family is None and len(model.families_) == 1 else family
    if (side, family) not in model.cells_:
        known = "; ".join(" ".join(cell) for cell in model.cells_)
        raise DataError(f"no ball is {side!r} {family!r}; the model knows {known}")
    j = model.cells_.index((side, str(family)))
    where = posterior.situation(situation)
    gaps = posterior.grids[j]
    wins: dict[tuple[str, str], NDArray[np.float64]] = {}
    counts: dict[tuple[str, str], int] = {}
    for choice in CHOICES:
        for stroke in model.curves_[choice].columns.strokes:
            n = posterior.mix.of_stroke(i, j, choice, stroke)
            win = posterior.win(i, j, choice, gaps, where, stroke)
            if n >= _LEAST and not np.isnan(win).any():
                wins[choice, stroke], counts[choice, stroke] = win, n
    if not wins:
        raise DataError(
            f"{player} has fewer than {_LEAST} shots of every stroke with such a ball; chart more, "
            "or name less of the situation"
        )
    own_figure = ax is None
    ax = new_axes(ax, size=(6.6, 4.8))
    dress(ax)
    _shot_lines(ax, gaps, wins, counts, cut)
    width = board_width_of(model, player, board_width_m)
    format_gap_axis(ax, unit, width)
    ax.set_ylabel("chance of winning the rally (%)")
    told = "".join(f", {name.replace('_', ' ')} {word}" for name, word in situation.items())
    words = f"{plain(player)}: {cell_words(model, side, str(family)).lower()}{told}"
    if own_figure:
        head(cast(Figure, ax.figure), words)
    else:
        ax.set_title(words, loc="left", fontsize=11, color=INK)
    note_below(ax, f"Bands: {level:.0%} intervals of the best attack and the best reset.", 40, 9.5)
    return ax


_LEAST: Final = 5


def _shot_lines(
    ax: Axes,
    gaps: NDArray[np.float64],
    wins: dict[tuple[str, str], NDArray[np.float64]],
    counts: dict[tuple[str, str], int],
    cut: float,
) -> None:
    ends = []
    for choice in CHOICES:
        mine = [key for key in wins if key[0] == choice]
        if not mine:
            continue
        colour = CHOICE_STYLE[choice]["color"]
        best = max(mine, key=lambda key: float(wins[key].mean()))
        low, high = np.quantile(wins[best], [cut, 1.0 - cut], axis=0)
        ax.fill_between(gaps, 100 * low, 100 * high, color=colour, alpha=0.15, lw=0)
        for line, key in zip(_LINES, mine, strict=False):
            middle = 100 * wins[key].mean(axis=0)
            ax.plot(gaps, middle, color=colour, ls=line, lw=2.2, label=f"_{key[1]}")
            ends.append((float(middle[-1]), f"{key[1].replace('_', ' ')} ({counts[key]})", colour))
    ax.set_xlim(0.0, gaps[-1] * 1.28)
    ax.axhline(50, color=QUIET, lw=0.8)
    _write_apart(ax, gaps[-1], ends)


def _write_apart(ax: Axes, x: float, ends: list[tuple[float, str, str]]) -> None:
    """Names of the lines at their right end, moved apart so that all can be read."""
    low, high = ax.get_ylim()
    apart = 0.055 * (high - low)
    at = -np.inf
    for value, words, colour in sorted(ends):
        at = max(value, at + apart)
        ax.text(1.012 * x, at, words, color=colour, va="center", fontsize=10, fontweight="bold")
