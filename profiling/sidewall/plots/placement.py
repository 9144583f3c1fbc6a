"""The court from above with shots, their ellipse and the target."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Circle as Disc
from matplotlib.patches import Polygon

from sidewall.arguments import Table, as_frame, check_level, check_share
from sidewall.court import Court, Rectangle
from sidewall.errors import DataError
from sidewall.features.coded import need_columns, struck_by
from sidewall.numbers import count
from sidewall.placement.ellipse import error_ellipse
from sidewall.placement.on_target import placed_shots, placement_table
from sidewall.placement.practice import practice_table
from sidewall.placement.targets import Target, court_targets
from sidewall.plots.court import patch_of, plot_court
from sidewall.plots.style import INK, MUTED, THRESHOLD, dress, legend, note_below, title
from sidewall.plots.words import plain

if TYPE_CHECKING:
    from matplotlib.lines import Line2D

_HIT: Final[dict[str, Any]] = {"marker": "o", "s": 15, "color": INK, "linewidth": 0.5}
#: Paler than a hit and of another form, so that they differ in grey too.
_MISS: Final[dict[str, Any]] = {"marker": "x", "s": 11, "color": MUTED, "linewidth": 0.7}


def plot_placement(
    shots: Table,
    player: str,
    target: str,
    *,
    strokes: Sequence[str] | None = None,
    targets: Sequence[Target] | None = None,
    court: Court | None = None,
    share: float = 0.8,
    robust: bool = True,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw a player's first bounces at one target.

    Parameters
    ----------
    shots
        A shot table or a table of features, with bounces.
    player
        Whose shots.
    target
        Name of the target, such as ``back left``.
    strokes
        Only these strokes; all that are played to the target if None.
    targets, court
        See :func:`~sidewall.placement.placed_shots`.
    share
        Chance that the next bounce falls into the ellipse.
    robust
        Ellipse of the bulk of the shots (dashed) instead of all (solid).
    level
        Confidence level of the share on target.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If the player has no shot at the target.

    See Also
    --------
    placement_table
    plot_practice
    court_targets

    Examples
    --------
    >>> ax = sw.plot_placement(shots, "Rowan", "back left")
    """
    shots = as_frame(shots)
    check_share(share, "share")
    check_level(level)
    court = court or Court()
    targets = list(court_targets(court) if targets is None else targets)
    placed = placed_shots(shots, targets, court)
    mine = struck_by(placed, player) & (placed["target"].astype(str) == target)
    if strokes is not None:
        mine &= placed["stroke"].isin(list(strokes)).to_numpy()
    own = placed[mine]
    if own["on_target"].notna().sum() == 0:
        known = sorted(set(placed.loc[struck_by(placed, player), "target"].astype(str)))
        raise DataError(
            f"{player!r} has no shot with a known bounce at the target {target!r}. Targets played "
            f"to: {', '.join(known) or 'none: check the name of the player'}."
        )
    (one,) = [each for each in targets if each.name == target]
    table = placement_table(own, targets, by=["target"], court=court, level=level, robust=False)
    row = table.iloc[0]
    used = strokes or one.strokes or ("all strokes",)
    ax = _draw(own, one, court, share, robust, ax)
    title(ax, f"{plain(player)}: {' and '.join(used)} to {target}")
    words = f"{_share_words(row, 'shots', level)}, {row['unseen']} bounces not seen"
    note_below(ax, fill(words, 56), 56)
    return ax


def plot_practice(
    balls: Table,
    target: Target | str,
    *,
    court: Court | None = None,
    share: float = 0.8,
    robust: bool = False,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw the bounces of a drill at its target.

    Parameters
    ----------
    balls
        From :func:`~sidewall.placement.read_practice`: the sessions to be drawn.
    target
        The target, or the name of one of the court's own.
    court, share, robust, level, ax
        See `plot_placement`.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If no ball was hit at the target, or its name is not known.

    See Also
    --------
    read_practice
    practice_table
    plot_placement

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> places = {"bounce_x": rng.uniform(0, 1, 30), "bounce_y": rng.normal(8.2, 0.4, 30)}
    >>> balls = pd.DataFrame({"session": "May", **places, "target": "back left"})
    >>> ax = sw.plot_practice(sw.read_practice(balls), "back left")
    """
    balls = as_frame(balls, "balls")
    check_share(share, "share")
    check_level(level)
    court = court or Court()
    if isinstance(target, str):
        known = {one.name: one for one in court_targets(court)}
        if target not in known:
            raise DataError(
                f"{target!r} is no target of the court ({', '.join(known)}); give the Target itself"
            )
        target = known[target]
    need_columns(balls, ("target", "on_target", "error_out_m", "error_long_m"))
    own = balls[balls["target"].astype(str) == target.name]
    if own.empty:
        raise DataError(
            f"no ball was hit at {target.name!r}; the log has "
            f"{', '.join(sorted(set(balls['target'].astype(str)))) or 'none'}"
        )
    row = practice_table(own, by=["target"], level=level).iloc[0]
    ax = _draw(own, target, court, share, robust, ax)
    title(ax, f"Drill: {target.name}")
    note_below(ax, fill(_share_words(row, "balls", level), 56), 56)
    return ax


def _draw(
    own: pd.DataFrame, target: Target, court: Court, share: float, robust: bool, ax: Axes | None
) -> Axes:
    ax = dress(plot_court(court, ax), "none")
    ax.set_axis_off()
    _add_target(ax, target)
    x, y = (own[name].to_numpy(dtype=float) for name in ("bounce_x_m", "bounce_y_m"))
    on = own["on_target"].to_numpy(dtype=float)
    seen = np.isfinite(own["error_out_m"].to_numpy(dtype=float))
    hits, misses = seen & (on == 1.0), seen & (on == 0.0)
    off = ax.scatter(x[misses], y[misses], zorder=5, label="off target", **_MISS)
    marks = [ax.scatter(x[hits], y[hits], zorder=6, label="on target", **_HIT), off]
    legend(
        ax, handles=[*marks, *_add_ellipse(ax, x[seen], y[seen], share, robust, court.floor)],
        loc="upper left", bbox_to_anchor=(0.0, -0.035), ncols=2,
        handletextpad=0.5, columnspacing=1.2, borderaxespad=0.0,
    )  # fmt: skip
    return ax


def _add_target(ax: Axes, target: Target) -> None:
    shape = target.shape
    inside: Any = {"facecolor": THRESHOLD, "alpha": 0.16, "zorder": 3}
    edge: Any = {"fill": False, "edgecolor": THRESHOLD, "linewidth": 1.8, "zorder": 6.5}
    for look in (inside, edge):
        if isinstance(shape, Rectangle):
            patch: Any = patch_of(shape, label="_target", **look)
        else:
            patch = Disc((shape.x, shape.y), shape.radius, label="_target", **look)
        ax.add_patch(patch)


def _add_ellipse(
    ax: Axes, x: np.ndarray, y: np.ndarray, share: float, robust: bool, floor: Rectangle
) -> list[Line2D]:
    try:
        ellipse = error_ellipse(x, y, share, robust=robust)
    except DataError:  # too few bounces: a picture of the few is still of use
        return []
    edge: Any = {"linewidth": 1.8, "linestyle": (0, (4, 2)) if robust else "-"}
    outline = Polygon(
        ellipse.outline(), fill=False, edgecolor=INK, zorder=7, label="_ellipse", **edge
    )
    # no ball bounces behind a wall
    ax.add_patch(outline).set_clip_path(patch_of(floor, transform=ax.transData))
    bulk = ", bulk of the shots" if robust else ""
    (line,) = ax.plot([], [], color=INK, label=f"next ball: {100 * share:.0f} in 100{bulk}", **edge)
    (mean,) = ax.plot(
        *ellipse.centre_m, marker="P", color=INK, ms=8, mec="white", ls="none", zorder=8,
        label="middle of the shots",
    )  # fmt: skip
    return [mean, line]


def _share_words(row: pd.Series, noun: str, level: float) -> str:
    return (
        f"on target {100 * row['share']:.0f} in 100 ({100 * level:.0f}%: "
        f"{100 * row['share_low']:.0f} to {100 * row['share_high']:.0f}), "
        f"n = {row[f'n_{noun}']:,} {noun}; {count(int(row['faults']), 'fault')}"
    )
