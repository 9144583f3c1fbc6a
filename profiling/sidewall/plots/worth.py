"""What a gap left to the opponent is worth: two curves over the gap or the depth."""

from __future__ import annotations

from typing import Literal

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, PercentFormatter

from sidewall.arguments import check_fitted, check_level
from sidewall.features.coded import struck_by
from sidewall.placement.worth import OUTCOMES, PlacementWorth
from sidewall.plots.style import (
    ATTACK,
    RESET,
    dress,
    format_gap_axis,
    legend,
    new_axes,
    note_n,
    title,
)
from sidewall.plots.words import plain

_LOOK = {
    "opponent_attacks": ("opponent attacks", ATTACK, (0, (5, 2))),
    "wins": ("striker wins the rally", RESET, "-"),
}


def plot_worth(
    worth: PlacementWorth,
    player: str | None = None,
    of: Literal["gap", "depth"] = "gap",
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw the opponent's chance of attacking and the striker's of winning.

    Parameters
    ----------
    worth
        A fitted `PlacementWorth`.
    player
        The striker; the middle of all players if None.
    of
        Along the ``gap`` or the ``depth`` that the ball left.
    unit, board_width_m
        Of the gap axis; see :func:`~sidewall.plots.style.format_gap_axis`.
    level
        Confidence level of the bands.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes

    See Also
    --------
    PlacementWorth

    Examples
    --------
    >>> ax = sw.plot_worth(sw.PlacementWorth().fit(shots), "Rowan", of="gap")
    """
    check_level(level)
    check_fitted(worth, "PlacementWorth", "worth")
    table = worth.curves(player, of, level=level)
    ax = draw_worth(table, of, ax)
    if of == "gap":
        format_gap_axis(ax, unit, board_width_m, label="gap left to the opponent")
        held = f"depth {table['depth_m'].iloc[0]:.1f} m; " if "depth_m" in table else ""
    else:
        ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        where = "bounce" if worth.depth == "bounce" else "opponent's contact"
        ax.set_xlabel(f"{where}, from the front wall (m)")
        held = f"gap {100 * table['gap_m'].iloc[0]:.0f} cm; "
    title(ax, "All players" if player is None else plain(player))
    met = worth.used_ if player is None else worth.used_[struck_by(worth.used_, player)]
    note_n(ax, len(met), met["rally_id"].nunique(), more=f"{held}bands {100 * level:.0f}%")
    return ax


def draw_worth(table: pd.DataFrame, of: str, ax: Axes | None = None) -> Axes:
    """Draw a table of `PlacementWorth.curves` along the ``gap`` or ``depth`` left."""
    ax = dress(new_axes(ax, size=(6.0, 4.4)))
    x = table[f"{of}_m"]
    for outcome in OUTCOMES:
        name, colour, line = _LOOK[outcome]
        ax.fill_between(
            x, table[f"{outcome}_low"], table[f"{outcome}_high"], color=colour, alpha=0.16, lw=0
        )
        ax.plot(x, table[outcome], color=colour, linestyle=line, lw=2.4, label=name)
    ax.set_ylim(0.0, 1.0)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0))
    ax.set_ylabel("chance")
    legend(ax, loc="upper left")
    return ax
