"""The aim curve: chance of winning and chance of the tin by aimed height."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, PercentFormatter

from sidewall.arguments import check_level
from sidewall.placement.aim import BEST, NO_GAIN
from sidewall.placement.heights import TIN_HEIGHTS_M
from sidewall.placement.tin import TinMargin
from sidewall.plots.style import (
    ATTACK,
    INK,
    MUTED,
    RESET,
    dress,
    legend,
    new_axes,
    note_below,
    title,
)
from sidewall.plots.words import plain

__all__ = ["plot_aim"]

_STYLES = ((RESET, "-", "o"), (ATTACK, (0, (5, 2)), "^"), (MUTED, (0, (1.5, 1.2)), "s"))


def plot_aim(
    margin: TinMargin,
    player: str,
    stroke: str,
    side: str,
    pressure: str | None = None,
    *,
    tin_heights_m: Sequence[float] = TIN_HEIGHTS_M,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw the chance of winning the rally against the height aimed at.

    Parameters
    ----------
    margin
        A fitted `TinMargin`.
    player, stroke, side, pressure
        The cell; ``all players`` is one of the players.
    tin_heights_m
        A curve for each tin, at most three.
    level
        Confidence level of band and best height.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes
        Height in metres along x, chance along y. Thick: won, with its band for the last tin;
        thin: in the tin. Marks on the curves: the best height, with its interval below.
    """
    check_level(level)
    tins = list(tin_heights_m)[:3]
    best = margin.best(player, tin_heights_m=tins, level=level)
    key = margin._key(player, stroke, side, pressure)
    best = best[(best["stroke"] == stroke) & (best["side"] == side) & (best["pressure"] == key[3])]
    ax = dress(new_axes(ax, size=(6.2, 5.0)))
    words = []
    for place, (tin, style) in enumerate(zip(tins, _STYLES, strict=False)):
        colour, line, mark = style
        curve = margin.win_curve(player, stroke, side, key[3], tin_height_m=tin, level=level)
        name = f"tin {100 * tin:.0f} cm"
        ax.plot(
            curve["aim_m"], curve["win"], color=colour, linestyle=line, lw=2.4, label=f"won, {name}"
        )
        if place == len(tins) - 1:
            ax.fill_between(
                curve["aim_m"],
                curve["win_low"],
                curve["win_high"],
                color=colour,
                alpha=0.16,
                linewidth=0,
            )
        tins_at = margin.tin_chances(
            player, stroke, side, key[3], tin_height_m=tin, aims_m=curve["aim_m"].to_list()
        )
        ax.plot(
            tins_at["aim_m"],
            tins_at["tin"],
            color=colour,
            linestyle=line,
            lw=1.0,
            label=f"in the tin, {name}",
        )
        row = best[best["tin_m"] == tin].iloc[0]
        words.append(f"{name}: {_answer(row)}")
        if row["status"] == BEST:
            _mark(ax, row, 0.035 + 0.05 * place, colour, mark)
    now = best.iloc[0]
    ax.axvline(
        now["now_m"],
        ymax=0.8,  # the legend stands above
        color=INK,
        lw=1.2,
        linestyle=(0, (1, 2)),
        zorder=1,
        label="mean height now",
    )
    ax.set_ylim(0.0, 1.0)
    ax.set_xlim(min(tins), max(margin._top(stroke), float(now["now_m"]) + 0.05))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.0f}"))
    ax.set_xlabel("height aimed at (cm above the floor)")
    ax.set_ylabel("chance")
    pressed = "" if key[3] == "any" else f", {key[3]}"
    title(ax, f"{plain(player)}: {side} {stroke}{pressed}")
    legend(ax, loc="upper right", ncols=2, columnspacing=1.2, borderaxespad=0.2)
    words.append(
        f"n = {now['shots']:,} heights; scatter {100 * now['sd_m']:.0f} cm; "
        f"{100 * level:.0f}% limits"
    )
    note_below(ax, "\n".join(words), 40, 9.5, 1.35)
    return ax


def _mark(ax: Axes, row: Any, at: float, colour: str, mark: str) -> None:
    ax.plot([row["low_m"], row["high_m"]], [at, at], color=colour, lw=3.0, solid_capstyle="butt")
    ax.plot(
        row["best_m"],
        at,
        marker=mark,
        color=colour,
        markersize=9,
        markeredgecolor="white",
        zorder=6,
    )
    ax.plot(
        row["best_m"],
        row["win_best"],
        marker=mark,
        color=colour,
        markersize=9,
        markeredgecolor="white",
        zorder=6,
    )


def _answer(row: Any) -> str:
    if row["status"] == BEST:
        return (
            f"best {100 * row['best_m']:.0f} cm ({100 * row['low_m']:.0f} to "
            f"{100 * row['high_m']:.0f}); wins {row['gain_per_100']:.1f} more in 100 "
            f"({row['gain_low']:.1f} to {row['gain_high']:.1f})"
        )
    if row["status"] == NO_GAIN:
        return "no gain from a lower ball within the heights seen"
    known = f"; {100 * row['low_m']:.0f} cm or higher" if np.isfinite(row["low_m"]) else ""
    if np.isfinite(row["high_m"]):
        known = f"; {100 * row['high_m']:.0f} cm or lower"
    return f"best height not known yet{known}"
