"""The front wall with tin, service line and where the ball met it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sidewall.arguments import check_fitted, check_level
from sidewall.court import Court
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.placement.tin import TinMargin
from sidewall.plots.court import plot_front_wall
from sidewall.plots.style import INK, PAPER, SIDE_STYLE, legend, note_below, title
from sidewall.plots.words import plain


def plot_front_wall_hits(
    margin: TinMargin,
    player: str,
    stroke: str,
    *,
    court: Court | None = None,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw where a player's balls met the front wall, and how their heights scatter.

    Parameters
    ----------
    margin
        A fitted `TinMargin`.
    player, stroke
        Whose shots, and which.
    court
        The court; singles with the log's commonest tin if None.
    level
        Confidence level of mean and scatter.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If the player has no such shot with a known height.

    See Also
    --------
    TinMargin
    plot_aim

    Notes
    -----
    A log has the height of a hit and not its place across. That is drawn where the straight
    line from the contact to the first bounce, by way of the wall, meets it. Balls without a
    known contact or bounce stand in a column at the left; those in the tin are counted.

    Examples
    --------
    >>> margin = sw.TinMargin().fit(shots)
    >>> ax = sw.plot_front_wall_hits(margin, "Rowan", "drive")
    """
    check_level(level)
    check_fitted(margin, "TinMargin", "margin")
    scatter = margin.scatter(level)
    rows = margin.heights_
    own = rows[struck_by(rows, player) & (rows["stroke"].astype(str) == stroke)]
    if own["height_m"].notna().sum() == 0:
        raise DataError(
            f"{player!r} has no {stroke} with a known height. Known strokes: "
            f"{', '.join(sorted(set(rows['stroke'].astype(str))))}."
        )
    if court is None:
        court = Court(tin_height_m=float(own["tin_m"].mode().iloc[0]))
    ax = plot_front_wall(court, ax)
    x = _across(own, court)
    z = own["height_m"].to_numpy(dtype=float)
    unknown = np.isnan(x)
    # beside the wall, in a narrow column
    rng = np.random.default_rng(0)
    x = np.where(unknown, -0.45 + 0.25 * rng.random(len(x)), x)
    for side, style in SIDE_STYLE.items():
        mine = (own["side"].astype(str) == side).to_numpy() & np.isfinite(z)
        ax.scatter(
            x[mine], z[mine], s=18, marker=style["marker"], facecolor=style["color"],
            edgecolor=PAPER, linewidth=0.5, alpha=0.85, zorder=4,
            label=f"{side}, n = {mine.sum():,}",
        )  # fmt: skip
    says = f"{int(own['in_tin'].sum())} of {len(own):,} in the tin"
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 2.0, "alpha": 0.9}
    look: Any = {"ha": "center", "va": "center", "fontsize": 9.5, "color": INK, "zorder": 6}
    ax.text(court.half_width_m, court.tin_height_m / 2, says, bbox=box, **look)
    words = []
    table = scatter[(scatter["player"] == player) & (scatter["stroke"] == stroke)]
    for row in table.to_dict("records"):
        pressed = "" if row["pressure"] == "any" else f", {row['pressure']}"
        mean, scattered = _centimetres(row, "mean"), _centimetres(row, "sd")
        n = f"n = {row['n_shots']:,}"
        words.append(f"{row['side']}{pressed}: mean {mean}, scatter {scattered}, {n}")
    words.append(f"{100 * level:.0f}% limits; balls in the tin count as lower than its edge")
    if unknown[np.isfinite(z)].any():
        words.append("left of the wall: place across not known")
        ax.set_xlim(left=-0.6)
    note_below(ax, "\n".join(words), 6, spacing=1.3)
    middle = court.half_width_m, (court.service_line_m + court.front_wall_line_m) / 2
    legend(ax, loc="center", bbox_to_anchor=middle, bbox_transform=ax.transData)
    title(ax, f"{plain(player)}: {stroke}, heights on the front wall")
    return ax


def _centimetres(row: dict[Any, Any], name: str) -> str:
    at, low, high = (f"{100 * row[f'{name}{end}_m']:.0f}" for end in ("", "_low", "_high"))
    return f"{at} cm ({low} to {high})"


def _across(own: pd.DataFrame, court: Court) -> np.ndarray:
    """Place across of each hit: the wall as a mirror between contact and first bounce."""
    names = ("x_m", "y_m", "bounce_x_m", "bounce_y_m")
    if any(name not in own.columns for name in names):
        return np.full(len(own), np.nan)
    x, y, to_x, to_y = (own[name].to_numpy(dtype=float) for name in names)
    with np.errstate(invalid="ignore", divide="ignore"):
        across = x + (to_x - x) * y / (y + to_y)
    return np.clip(across, 0.0, court.width_m)
