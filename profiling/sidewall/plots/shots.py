"""Which shot, and in which situation: thresholds told apart, and the shots of one ball."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sidewall.arguments import check_level
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.log.vocabulary import CHOICES
from sidewall.models.answers import CROSSES
from sidewall.plots.frame import frame, mark, name_rows, panels, say
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
    title,
)
from sidewall.plots.words import (
    answer_words,
    board_width_of,
    cell_words,
    known_player,
    outcome_words,
    plain,
    rows_by,
)

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

_GENERAL: Final = "in general"
#: Own shots of a stroke, below which it is not drawn.
_LEAST: Final = 5
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

    See Also
    --------
    plot_threshold
    TightnessModel.thresholds

    Examples
    --------
    >>> axes = sw.plot_thresholds_by(model, "Rowan", by="balance")
    """
    check_level(level)
    player = known_player(model, player)
    width = board_width_of(model, player, board_width_m)
    words = GapWords(unit, width)
    general, by_level = (model.thresholds(level, by=told, player=player) for told in ((), by))
    table = pd.concat([general.assign(**{by: _GENERAL, "basis": "own level"}), by_level])
    axes = draw_thresholds_by(table, by, words)
    small = (
        f"Dot and bar: loose threshold and its {level:.0%} interval. Hollow: too few such shots, "
        f"the answer in general stands in. n = own attacks, resets. {outcome_words(model.outcome)}"
    )
    heading = f"{plain(player)}: when does attacking pay, by {by.replace('_', ' ')}?"
    frame(axes[0, 0], heading, small)
    return axes


def draw_thresholds_by(table: pd.DataFrame, by: str, words: GapWords) -> NDArray[np.object_]:
    """Draw one player's thresholds by the levels of a column, a panel a side and family."""
    levels = list(dict.fromkeys(table[by]))
    cells = list(dict.fromkeys(zip(table["side"], table["family"], strict=True)))
    rows = len(cells) // 2
    axes = panels(rows, 2, (9.4, rows * (0.42 * len(levels) + 1.5) + 0.8))
    for (side, family), ax in zip(cells, axes.T.ravel(), strict=True):
        ax.set_xlim(0.0, float(table["gap_max_m"].max()))
        here = rows_by(table[(table["side"] == side) & (table["family"] == family)], by)
        names = []
        for k, level in enumerate(levels):
            row = here[(str(level),)]
            n = f"n = {int(row['n_attack'])}, {int(row['n_reset'])}"
            names.append((float(k), f"{str(level).replace('_', ' ')}\n{n}"))
            _threshold(ax, k, row, str(level), words)
        name_rows(ax, names, -0.6, len(levels) - 0.4)
        ax.axhline(0.5, color=FAINT, lw=1.0)
        format_gap_axis(ax, words.unit, None)
        title(ax, cell_words(side, family))
    return axes


def _threshold(ax: Axes, y: float, row: dict[str, Any], level: str, words: GapWords) -> None:
    if row["status"] != CROSSES:
        said = answer_words(row, words)[0].partition(":")[0]
        say(ax, 0.02, y, said, size=9, colour=QUIET)
        return
    ends = [float(row[name]) for name in ("threshold_m", "threshold_low_m", "threshold_high_m")]
    own = row["basis"] == "own level"
    colour = INK if level == _GENERAL else THRESHOLD
    mark(ax, y, ends, level, colour=colour, sure=own, faint=not own)


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

    See Also
    --------
    TightnessModel.which_shot
    plot_threshold

    Examples
    --------
    >>> ax = sw.plot_shot_map(model, "Rowan", "forehand", "ground", balance="set")
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
    parts = []
    for choice in CHOICES:
        for stroke in model.curves_[choice].columns.strokes:
            n = posterior.mix.of_stroke(i, j, choice, stroke)
            win = 100.0 * posterior.win(i, j, choice, posterior.grids[j], where, stroke)
            if n >= _LEAST and not np.isnan(win).any():
                low, high = np.quantile(win, [cut, 1.0 - cut], axis=0)
                part = {"gap_m": posterior.grids[j], "win": win.mean(axis=0)}
                part |= {"win_low": low, "win_high": high}
                kind = {"n_shots": n, "choice": choice, "stroke": stroke.replace("_", " ")}
                parts.append(pd.DataFrame(part | kind))
    if not parts:
        raise DataError(
            f"{player} has fewer than {_LEAST} shots of every stroke with such a ball; chart more, "
            "or name less of the situation"
        )
    own = ax is None
    ax = draw_shot_map(pd.concat(parts), ax)
    format_gap_axis(ax, unit, board_width_of(model, player, board_width_m))
    told = "".join(f", {name.replace('_', ' ')} {word}" for name, word in situation.items())
    words = f"{plain(player)}: {cell_words(side, str(family)).lower()}{told}"
    if own:
        frame(ax, words)
    else:
        title(ax, words)
    note_below(ax, f"Bands: {level:.0%} intervals of the best attack and the best reset.", 40, 9.5)
    return ax


def draw_shot_map(table: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw a line a stroke, in per cent, and the band of the best of each choice."""
    ax = dress(new_axes(ax, size=(6.6, 4.8)))
    ends, widest = [], float(table["gap_m"].max())
    for choice, mine in table.groupby("choice", sort=False):
        colour = CHOICE_STYLE[str(choice)]["color"]
        best = mine[mine["stroke"] == mine.groupby("stroke", sort=False)["win"].mean().idxmax()]
        low, high = best["win_low"], best["win_high"]
        ax.fill_between(best["gap_m"], low, high, color=colour, alpha=0.15, lw=0)
        for line, (stroke, one) in zip(_LINES, mine.groupby("stroke", sort=False), strict=False):
            ax.plot(one["gap_m"], one["win"], color=colour, ls=line, lw=2.2, label=f"_{stroke}")
            words = f"{stroke} ({one['n_shots'].iloc[0]})"
            ends.append((float(one["win"].iloc[-1]), words, colour))
    ax.set_xlim(0.0, widest * 1.28)
    ax.axhline(50, color=QUIET, lw=0.8)
    ax.set_ylabel("chance of winning the rally (%)")
    _write_apart(ax, widest, ends)
    return ax


def _write_apart(ax: Axes, x: float, ends: list[tuple[float, str, str]]) -> None:
    """Names of the lines at their right end, moved apart so that all can be read."""
    low, high = ax.get_ylim()
    apart = 0.055 * (high - low)
    at = -np.inf
    for value, words, colour in sorted(ends):
        at = max(value, at + apart)
        ax.text(1.012 * x, at, words, color=colour, va="center", fontsize=10, fontweight="bold")
