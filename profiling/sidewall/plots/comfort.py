"""Forehand against backhand: from which gap each may attack, and which side wins more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sidewall.arguments import check_level
from sidewall.court.units import GapWords
from sidewall.log.vocabulary import SIDES
from sidewall.models.answers import CROSSES
from sidewall.numbers import count
from sidewall.plots.frame import above, frame, given, mark, name_rows, panels, say
from sidewall.plots.style import QUIET, SIDE_STYLE, format_gap_axis
from sidewall.plots.words import (
    board_width_of,
    family_words,
    known_player,
    outcome_words,
    plain,
    records,
    rows_by,
    threshold_difference_words,
    win_difference_words,
)

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

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
    unit, board_width_m
        Of the gap axis; see `plot_threshold`.
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

    See Also
    --------
    TightnessModel.comfort
    plot_threshold

    Examples
    --------
    >>> axes = sw.plot_comfort(model, "Rowan", unit="in")
    """
    check_level(level)
    player = known_player(model, player)
    words = GapWords(unit, board_width_of(model, player, board_width_m))
    thresholds = model.thresholds(level, player=player)
    pair = draw_comfort(thresholds, model.comfort(level, player=player), words, ax)
    if ax is None:
        frame(
            pair[0],
            f"{plain(player)}: forehand against backhand",
            f"{outcome_words(model.outcome)} Bars: {level:.0%} intervals. Right: what either side "
            "would win from the same balls.",
        )
    return pair


def draw_comfort(
    thresholds: pd.DataFrame,
    comfort: pd.DataFrame,
    words: GapWords,
    ax: Sequence[Axes] | None = None,
) -> NDArray[np.object_]:
    """Draw one player's rows of the two tables, without a heading."""
    rows, answers = records(comfort), rows_by(thresholds, "family", "side")
    size = 8.4, 2.0 + 1.75 * len(rows)
    pair = panels(1, 2, size)[0] if ax is None else given(ax, "two axes, left and right", 2)
    gaps, wins = pair
    widest = thresholds["gap_max_m"].max()
    gaps.set_xlim(0.0, 1.02 * (widest if np.isfinite(widest) else 1.0))
    reach, names = 5.0, []
    for i, row in enumerate(rows):
        top, family = -_STEP * i, str(row["family"])
        missing = [side for side in SIDES if row[f"n_{side}"] == 0]
        says = f"no {missing[0]} charted" if missing else ""
        for panel, told in (
            (gaps, says or threshold_difference_words(row, words)),
            (wins, says or win_difference_words(row)),
        ):
            say(panel, 0.0, top + 0.28, family_words(family).capitalize(), colour=QUIET)
            say(panel, 0.0, top - 0.28, told, weight="bold")
        for j, side in enumerate(SIDES):
            names.append((top - 1.0 - 0.75 * j, side))
            _threshold(gaps, names[-1], answers[family, side])
        if not missing:  # the model would speak of other players only
            ends = [100.0 * float(row[f"win_difference{e}"]) for e in ("", "_low", "_high")]
            mark(wins, top - 1.2, ends, f"difference {family}")
            reach = max(reach, *map(abs, ends))
        sizes = f"n = {row['n_forehand']:,} forehands, {row['n_backhand']:,} backhands"
        small = f"{sizes}, {count(row['n_rallies'], 'rally', 'rallies')}"
        say(wins, 0.0, top - 1.85, small, size=9.5, colour=QUIET)
    for panel, sides in ((gaps, names), (wins, [])):
        name_rows(panel, sides, 0.75, -_STEP * len(rows) + 0.55)
    format_gap_axis(gaps, words.unit, words.board_width_m, label="attack pays from a gap of")
    wins.axvline(0.0, color=QUIET, lw=1.2, zorder=1, label="_zero")
    wins.set_xlim(-1.12 * reach, 1.12 * reach)
    wins.set_xlabel("rallies won in 100: backhand minus forehand")
    above(wins, 0.0, "◀ forehand better")
    above(wins, 1.0, "backhand better ▶", "right")
    return pair


def _threshold(ax: Axes, place: tuple[float, str], row: dict[str, Any]) -> None:
    y, side = place
    charted = row["n_attack"] + row["n_reset"] > 0
    if charted and row["status"] == CROSSES:
        ends = [float(row[name]) for name in ("threshold_m", "threshold_low_m", "threshold_high_m")]
        style = SIDE_STYLE[side]
        mark(
            ax, y, ends, f"{side} {row['family']}", colour=style["color"], marker=style["marker"],
            line=style["linestyle"],
        )  # fmt: skip
        return
    say(ax, 0.02, y, str(row["status"]) if charted else "none charted", size=10, colour=QUIET)
