"""The court to scale: its floor from above, and its front wall."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import Rectangle as Patch

from sidewall.court.court import Court, Rectangle, court_lines
from sidewall.plots.style import INK, MUTED, new_axes

_FLOOR = "#FAF8F3"
_LINE = "#A9ADB1"
_TIN = "#C9CCCF"


def plot_court(court: Court | None = None, ax: Axes | None = None) -> Axes:
    """Draw the floor from above, to scale, front wall at the top.

    Data go on top in metres: x from the left wall, y from the front wall.

    Parameters
    ----------
    court
        The court; the standard singles court if None.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes
        With x from 0 at the left wall, y from 0 at the front wall and growing downwards.

    See Also
    --------
    plot_front_wall
    Court

    Examples
    --------
    >>> ax = sw.plot_court()
    >>> points = ax.plot([0.4, 5.9], [8.2, 1.0], "o")
    """
    court = court or Court()
    ax = new_axes(ax, size=(4.6, 6.6))
    floor = court.floor
    ax.add_patch(patch_of(floor, facecolor=_FLOOR, zorder=0))
    for name, line in court_lines(court).items():
        ax.add_patch(patch_of(line, facecolor=_LINE, label=f"_{name}", zorder=2))
    ax.add_patch(patch_of(floor, fill=False, edgecolor=MUTED, lw=1.4, zorder=3))
    # The front wall is the one that matters: drawn heavier, outside the floor.
    front = Rectangle(0.0, -0.14, floor.width, 0.0)
    ax.add_patch(patch_of(front, facecolor=INK, zorder=3, label="_tin"))
    middle = floor.width / 2
    ax.text(middle, -0.22, "front wall", ha="center", va="bottom", fontsize=9.5, color=INK)
    ax.set_xlim(-0.15, floor.width + 0.15)
    ax.set_ylim(floor.depth + 0.15, -0.62)
    ax.set_aspect("equal")
    ax.set_axis_off()
    return ax


def plot_front_wall(court: Court | None = None, ax: Axes | None = None) -> Axes:
    """Draw the front wall as the players see it, to scale: tin, service line, out line.

    Data go on top in metres: x from the left wall, z above the floor.

    Parameters
    ----------
    court
        The court; the standard singles court with a tin of 0.48 m if None.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes
        With x from 0 at the left wall and z from 0 at the floor.

    See Also
    --------
    plot_court
    Court
    plot_front_wall_hits

    Examples
    --------
    >>> ax = sw.plot_front_wall(sw.Court(tin_height_m=0.43))
    """
    court = court or Court()
    ax = new_axes(ax, size=(5.4, 4.0))
    paint = court.line_width_m
    top = court.front_wall_line_m + paint
    wide, tin = court.width_m, court.tin_height_m
    ax.add_patch(patch_of(Rectangle(0.0, 0.0, wide, top), facecolor=_FLOOR, zorder=0))
    edge: dict[str, Any] = {"edgecolor": MUTED, "lw": 1.0, "hatch": "....", "zorder": 1}
    low = Rectangle(0.0, 0.0, wide, tin)
    ax.add_patch(patch_of(low, facecolor=_TIN, label="_tin", **edge))
    # Both heights are printed to the lower edge of the paint.
    heights = {"service line": court.service_line_m, "out line": court.front_wall_line_m}
    for name, z in heights.items():
        line = Rectangle(0.0, z, wide, z + paint)
        ax.add_patch(patch_of(line, facecolor=_LINE, label=f"_{name}", zorder=1))
    for name, z in {"tin": tin, **heights}.items():
        ax.text(
            wide + 0.12, z, f"{name}\n{z:.2f} m", ha="left", va="center", fontsize=9.5, color=INK,
            linespacing=1.25,
        )  # fmt: skip
    for x in (0.0, court.width_m):
        ax.plot([x, x], [0, court.clear_height_m], color=MUTED, lw=1.4, zorder=1)
    ax.plot([0, court.width_m], [0, 0], color=INK, lw=2.5, solid_capstyle="butt", zorder=3)
    ax.set_xlim(-0.1, court.width_m + 1.55)
    ax.set_ylim(-0.1, court.clear_height_m)
    ax.set_aspect("equal")
    ax.set_axis_off()
    return ax


def patch_of(at: Rectangle, **look: Any) -> Patch:
    """Make a patch of a rectangle in metres, without an edge unless one is asked for."""
    corner = at.x_min, at.y_min
    return Patch(corner, at.width, at.depth, **{"edgecolor": "none"} | look)
