"""The aim curve: chance of winning and chance of the tin by aimed height."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, PercentFormatter

from sidewall.arguments import check_fitted, check_level
from sidewall.numbers import number, spread
from sidewall.placement.aim import BEST, NO_GAIN
from sidewall.placement.heights import TIN_HEIGHTS_M
from sidewall.placement.tin import TinMargin
from sidewall.plots.style import (
    ATTACK,
    INK,
    MUTED,
    PAPER,
    RESET,
    dress,
    legend,
    new_axes,
    note_below,
    title,
)
from sidewall.plots.words import plain, records

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

    See Also
    --------
    TinMargin
    plot_front_wall_hits

    Examples
    --------
    >>> margin = sw.TinMargin().fit(shots)
    >>> ax = sw.plot_aim(margin, "all players", "drive", "backhand")
    """
    check_level(level)
    check_fitted(margin, "TinMargin", "margin")
    parts = []
    for tin in list(tin_heights_m)[: len(_STYLES)]:
        cell = player, stroke, side, pressure
        curve = margin.win_curve(*cell, tin_height_m=tin, level=level)
        lost = margin.tin_chances(*cell, tin_height_m=tin, aims_m=curve["aim_m"].to_list())
        parts.append(curve.assign(tin_m=tin, lost=lost["tin"].to_numpy()))
    curves = pd.concat(parts)
    best = margin.best(player, tin_heights_m=curves["tin_m"].unique().tolist(), level=level)
    best = best[(best["stroke"] == stroke) & (best["side"] == side)]
    if pressure is not None:
        best = best[best["pressure"] == pressure]
    ax = draw_aim(curves, best, ax)
    now = best.iloc[0]
    ax.set_xlim(right=max(margin.gains_[stroke].highest_m, float(now["now_m"]) + 0.05))
    pressed = "" if now["pressure"] == "any" else f", {now['pressure']}"
    title(ax, f"{plain(player)}: {side} {stroke}{pressed}")
    words = [f"tin {100 * row['tin_m']:.0f} cm: {_answer(row)}" for row in records(best)]
    words.append(
        f"n = {now['n_shots']:,} heights; scatter {100 * now['sd_m']:.0f} cm; "
        f"{100 * level:.0f}% limits"
    )
    note_below(ax, "\n".join(words), 40, 9.5, 1.35)
    return ax


def draw_aim(curves: pd.DataFrame, best: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw chances against the aim from tables, a colour a tin, without a title.

    The curves are from `TinMargin.win_curve`, with ``tin_m`` and ``lost``, the chance of the tin;
    `best` is `TinMargin.best` of one cell.
    """
    ax = dress(new_axes(ax, size=(6.2, 5.0)))
    rows = {row["tin_m"]: row for row in records(best)}
    tins = list(curves["tin_m"].unique())
    for place, (tin, (colour, line, marker)) in enumerate(zip(tins, _STYLES, strict=False)):
        curve, name = curves[curves["tin_m"] == tin], f"tin {100 * tin:.0f} cm"
        aim = curve["aim_m"]
        look: dict[str, Any] = {"color": colour, "linestyle": line}
        ax.plot(aim, curve["win"], lw=2.4, label=f"won, {name}", **look)
        if tin == tins[-1]:
            ax.fill_between(
                aim, curve["win_low"], curve["win_high"], color=colour, alpha=0.16, linewidth=0
            )
        ax.plot(aim, curve["lost"], lw=1.0, label=f"in the tin, {name}", **look)
        if rows[tin]["status"] == BEST:
            _mark(ax, rows[tin], 0.035 + 0.05 * place, colour, marker)
    look = {"color": INK, "linestyle": (0, (1, 2)), "label": "mean height now"}
    ax.axvline(best["now_m"].iloc[0], ymax=0.8, lw=1.2, zorder=1, **look)  # the legend is above
    ax.set_ylim(0.0, 1.0)
    ax.set_xlim(min(tins), curves["aim_m"].max())
    ax.yaxis.set_major_formatter(PercentFormatter(1.0))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.0f}"))
    ax.set_xlabel("height aimed at (cm above the floor)")
    ax.set_ylabel("chance")
    legend(ax, loc="upper right", ncols=2, columnspacing=1.2, borderaxespad=0.2)
    return ax


def _mark(ax: Axes, row: dict[str, Any], at: float, colour: str, marker: str) -> None:
    """The best height on its curve, and below with its interval."""
    ends = [row["best_low_m"], row["best_high_m"]]
    ax.plot(ends, [at, at], color=colour, lw=3.0, solid_capstyle="butt")
    for y in (at, row["win_best"]):
        ax.plot(row["best_m"], y, marker=marker, color=colour, ms=9, mec=PAPER, zorder=6)


def _answer(row: dict[str, Any]) -> str:
    if row["status"] == BEST:
        names = ("gain_per_100", "gain_per_100_low", "gain_per_100_high")
        gain = spread((row[name] for name in names), partial(number, digits=1))
        return (
            f"best {100 * row['best_m']:.0f} cm ({100 * row['best_low_m']:.0f} to "
            f"{100 * row['best_high_m']:.0f}); wins {gain.replace(' (', ' more in 100 (')}"
        )
    if row["status"] == NO_GAIN:
        return "no gain from a lower ball within the heights seen"
    low, high = row["best_low_m"], row["best_high_m"]
    known = f"; {100 * low:.0f} cm or higher" if np.isfinite(low) else ""
    if np.isfinite(high):
        known = f"; {100 * high:.0f} cm or lower"
    return f"best height not known yet{known}"
