"""Parts of a drawn rally chain: the floor or ring under it, its circles and its arrows."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, FancyArrowPatch

from sidewall.court.court import Court
from sidewall.plots.court import plot_court
from sidewall.plots.state_places import Ball, group_words, ring_places
from sidewall.plots.style import INK, MUTED, PAPER, QUIET, text_on
from sidewall.plots.words import drawable, short
from sidewall.rallies.states import SERVE
from sidewall.rallies.transitions import ENDS

_END_WORDS: Final = {"win": "won", "lose": "lost", "let": "let"}
_LEAST_RADIUS_M: Final = 0.235
_MOST_RADIUS_M: Final = 0.44
_END_RADIUS_M: Final = 0.36
#: Letters of a name that fit beside a ring.
_RING_LETTERS: Final = 18
#: Balls nearer to a side wall stand where others stand in front of them.
_LOOP_ROOM_M: Final = 0.8
#: Arrows of this chance or more are drawn at full strength.
_STRONG: Final = 0.35


@dataclass(frozen=True)
class Arrow:
    """From a ball to the opponent's next one or an end, with its chance; `words` stand by it."""

    start: str
    end: str
    chance: float
    words: str = ""


def draw_court(
    ax: Axes, balls: list[Ball], places: dict[str, tuple[float, float]], has_contact: bool
) -> None:
    """Draw the floor, each ball's gap as a line to the wall, and its name behind the wall."""
    court = Court()
    walls = {"backhand": (0.0, -0.42, "right"),
             "forehand": (court.width_m, court.width_m + 0.42, "left")}  # fmt: skip
    plot_court(court, ax=ax)
    ax.set_anchor("N")
    ax.set_xlim(-1.5, court.width_m + 1.5)
    ax.set_ylim(court.length_m + 0.75, -0.62)
    top: dict[tuple[str, str], float] = {}
    for ball in balls:
        if ball.state == SERVE:
            continue
        x, y = places[ball.state]
        wall, edge, ha = walls[ball.side]
        ax.plot([x, wall], [y, y], color=QUIET, lw=0.9, ls=(0, (1, 1.5)), zorder=3.2)
        words, style = drawable(ball.band)
        ax.text(edge, y, words, ha=ha, va="center", fontsize=9, color=INK, zorder=6, **style)
        top[ball.group] = min(top.get(ball.group, np.inf), y)
    for group, y in top.items():
        _, edge, ha = walls[group[0]]
        words = re.sub(r" (volley|after the) ?", r"\n\1\n", group_words(group, has_contact))
        words = words.replace(", ", ",\n").strip()
        ax.text(
            edge, y - 0.3, words, ha=ha, va="bottom", fontsize=9, fontweight="bold",
            color=INK, linespacing=1.1, zorder=6,
        )  # fmt: skip
    if SERVE in places:
        x, y = places[SERVE]
        ax.text(x, y + 0.42, "serve", ha="center", va="center", fontsize=9, color=INK, zorder=6)


def draw_ring(ax: Axes, balls: list[Ball]) -> dict[str, tuple[float, float]]:
    """Write the balls' names around a ring, and return their places on it."""
    places = ring_places(balls)
    ax.set_aspect("equal")
    ax.set_axis_off()
    ax.set_anchor("N")
    ax.set_xlim(-4.7, 4.7)
    ax.set_ylim(3.8, -3.8)
    for ball in balls:
        x, y = places[ball.state]
        name = f"{ball.side} {ball.family} {ball.band}".strip()
        words, style = drawable(short(name, _RING_LETTERS))
        ha = "center" if abs(x) <= 0.3 else "left" if x > 0 else "right"
        ax.text(
            1.34 * x, 1.34 * y, words,
            ha=ha, va="center", fontsize=9, color=INK, zorder=6, **style,
        )  # fmt: skip
    return places


def _end_places(arrows: list[Arrow], on_court: bool) -> dict[str, tuple[float, float]]:
    """Ends of the rally that an arrow leads to: in the front court, or within the ring."""
    x, y = (Court().half_width_m, 0.95) if on_court else (0.0, 0.0)
    wanted = {arrow.end for arrow in arrows} & set(ENDS)
    return {end: (x + (-0.7 if end == "win" else 0.7), y) for end in sorted(wanted)}


def _radii(
    balls: list[Ball], places: dict[str, tuple[float, float]], size: dict[str, float]
) -> dict[str, float]:
    """Radii in metres: areas as the balls were met, within limits, and no two overlapping."""
    at = np.array([places[ball.state] for ball in balls])
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    most = min(_MOST_RADIUS_M, 0.5 * float(apart.min()))
    least = min(_LEAST_RADIUS_M, most)
    biggest = max(1.0, *(size[ball.state] for ball in balls))
    return {b.state: max(least, most * float(np.sqrt(size[b.state] / biggest))) for b in balls}


def circles_at(
    balls: list[Ball],
    places: dict[str, tuple[float, float]],
    size: dict[str, float],
    arrows: list[Arrow],
    on_court: bool,
) -> dict[str, Circle]:
    """Circles of the balls and of the ends that an arrow leads to, in metres."""
    radius = _radii(balls, places, size)
    circles = {ball.state: Circle(places[ball.state], radius[ball.state]) for ball in balls}
    ends = _end_places(arrows, on_court)
    return circles | {end: Circle(at, _END_RADIUS_M) for end, at in ends.items()}


def draw_arrows(ax: Axes, arrows: list[Arrow], circles: dict[str, Circle], on_court: bool) -> None:
    """Draw arrows, the likeliest on top."""
    middle = Court().half_width_m if on_court else 0.0
    both_ways = {(a.start, a.end) for a in arrows} & {(a.end, a.start) for a in arrows}
    for k, arrow in enumerate(sorted(arrows, key=lambda arrow: arrow.chance)):
        bend = _bend(arrow, circles, middle, (arrow.start, arrow.end) in both_ways)
        _draw_arrow(ax, arrow, circles, bend, on_court, zorder=4 + 0.001 * k)


def draw_circles(
    ax: Axes,
    circles: dict[str, Circle],
    worth: dict[Any, float],
    shade: Callable[[float], Any],
    chosen: str | None,
) -> None:
    """Draw balls, shaded by what they are worth, and ends."""
    for name, circle in circles.items():
        bold = name not in worth or name == chosen
        if name in worth:
            words = "?" if np.isnan(worth[name]) else f"{100 * worth[name]:.0f}"
            colour, edge, wide, size = shade(worth[name]), INK, 2.2 if bold else 1.0, 9.0
        else:
            words, colour, edge, wide, size = _END_WORDS[name], PAPER, MUTED, 1.4, 9.5
        circle.set(facecolor=colour, edgecolor=edge, linewidth=wide, zorder=5)
        ax.add_patch(circle)
        x, y = circle.center
        ax.text(
            x, y, words, ha="center", va="center", fontsize=size, zorder=6,
            color=text_on(colour), fontweight="bold" if bold else "normal",
        )  # fmt: skip


def _bend(arrow: Arrow, circles: dict[str, Circle], middle: float, both_ways: bool) -> float:
    """Choose how far, and to which side, an arrow is bent: inward, around what lies between."""
    (x0, y0), (x1, y1) = (circles[end].center for end in (arrow.start, arrow.end))
    if both_ways:
        return 0.3
    size = 0.38 if (x0 - middle) * (x1 - middle) > 0 else 0.16
    # a positive bend takes an arrow that runs down the page to the left
    inward = (y1 - y0) * ((x0 + x1) / 2 - middle) < 0
    return -size if inward else size


def _draw_arrow(
    ax: Axes,
    arrow: Arrow,
    circles: dict[str, Circle],
    bend: float,
    on_court: bool,
    zorder: float,
) -> None:
    strength = min(arrow.chance / _STRONG, 1.0)
    drawn: dict[str, Any] = {
        "arrowstyle": "-|>",
        "mutation_scale": 7 + 7 * strength,
        "lw": 0.7 + 3.0 * strength,
        "color": INK,
        "alpha": 0.12 + 0.6 * strength**1.5,
        "zorder": zorder,
        "label": f"_{arrow.start} -> {arrow.end}",
        "shrinkA": 0,
        "shrinkB": 1,
    }
    one, two = circles[arrow.start], circles[arrow.end]
    (x0, y0), (x1, y1) = one.center, two.center
    if one is two:
        away = _loop_angle(x0, y0, on_court)
        ends = [
            (x0 + one.radius * np.cos(away + turn), y0 + one.radius * np.sin(away + turn))
            for turn in (0.7, -0.7)
        ]
        ax.add_patch(FancyArrowPatch(*ends, connectionstyle="arc3,rad=1.5", **drawn))
        # beyond the loop, but on a ring the name stands there
        reach = one.radius + 0.42 if on_court else -one.radius - 0.5
        spot, near = (x0 + reach * np.cos(away), y0 + reach * np.sin(away)), False
    else:
        style = f"arc3,rad={bend:.3f}"
        ends = [(x0, y0), (x1, y1)]
        ax.add_patch(FancyArrowPatch(*ends, connectionstyle=style, patchA=one, patchB=two, **drawn))
        near = on_court and abs(x1 - x0) < 1.5
        spot = _on_curve(one.center, two.center, bend, 0.5 if near else 0.7)
    if arrow.words:
        ha = "center" if not near else "left" if x0 < Court().half_width_m else "right"
        ax.text(
            *spot, arrow.words, ha=ha, va="center", fontsize=8.5, color=INK, zorder=7,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
        )  # fmt: skip


def _loop_angle(x: float, y: float, on_court: bool) -> float:
    """Direction of a loop: away from the middle of a ring; on the court up, at a wall down."""
    if not on_court:
        return float(np.arctan2(y, x))
    near = min(x, Court().width_m - x) < _LOOP_ROOM_M
    return float(np.pi / 2 if near else -np.pi / 2)


def _on_curve(
    one: tuple[float, float], two: tuple[float, float], bend: float, along: float
) -> tuple[float, float]:
    """Find a point of an arrow's curve, a quadratic one; `along` runs from 0 to 1."""
    (x0, y0), (x1, y1) = one, two
    x, y = (x0 + x1) / 2 - bend * (y1 - y0), (y0 + y1) / 2 + bend * (x1 - x0)
    a, b, c = (1 - along) ** 2, 2 * along * (1 - along), along**2
    return a * x0 + b * x + c * x1, a * y0 + b * y + c * y1
