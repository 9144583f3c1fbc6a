"""A player's zones drawn on the court: one number a zone, its interval and its n."""

from __future__ import annotations

from typing import Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import Normalize

from sidewall.arguments import Table, as_frame, check_count, check_level
from sidewall.court.court import Court, Rectangle
from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.features.shots import with_features, zones_of_court
from sidewall.features.zones import zone_features
from sidewall.plots.court import patch_of, plot_court
from sidewall.plots.style import QUIET, colour_bar, new_axes, text_on, title, value_map
from sidewall.plots.words import columns, plain

Value = Literal["win_rate", "attack_share", "share", "gap_m"]


class _Shown(NamedTuple):
    """How one value is read from the zone table and put into words, in 100 or centimetres."""

    title: str
    low: str
    high: str
    n: str
    unit: str = "%"
    least_span: float = 0.2


_SHOWN: Final = {
    "win_rate": _Shown("rallies won", "win_rate_low", "win_rate_high", "decided"),
    "attack_share": _Shown("attacks", "attack_share_low", "attack_share_high", "choices"),
    "share": _Shown("share of shots", "share_low", "share_high", "n_shots", least_span=0.1),
    "gap_m": _Shown("median gap", "gap_q1_m", "gap_q3_m", "n_shots", " cm"),
}
_EMPTY: Final = "#F1F1EF"
#: Letters of a name that leave room for what is shown on the same line.
_SHORT: Final = 24


def plot_zone_map(
    shots: Table,
    player: str,
    value: Value = "win_rate",
    ax: Axes | None = None,
    court: Court | Zones | None = None,
    *,
    min_shots: int = 10,
    level: float = 0.95,
) -> Axes:
    """Draw a value for each zone of contact on the court, to scale.

    Parameters
    ----------
    shots
        A canonical shot table, or any rows of a table from `shot_features`.
    player
        Whose shots.
    value
        ``win_rate`` (rallies won by the hitter), ``attack_share``, ``share`` (of the player's
        shots) or ``gap_m`` (median gap of the incoming ball, with its middle half).
    ax
        Axes to draw into; new ones if None.
    court
        A court, or zones with boundaries of one's own; the standard singles court if None.
    min_shots
        Zones with fewer shots are hatched and show no value. A share rests on all the shots
        of the player, so there it is those that must reach this number.
    level
        Confidence level of the intervals.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If the player is not in the table, the value is unknown, or the log tells neither the
        depth nor the lane of any shot.

    See Also
    --------
    zone_features
    plot_court

    Notes
    -----
    Where the log has no ``y_m`` the zones are the three lanes over the whole length, and
    without ``x_m`` the lane comes from side, hand and gap. Shots without a known zone are
    left out, and the note below the court says how many.

    Examples
    --------
    >>> ax = sw.plot_zone_map(shots, "Rowan", "attack_share")
    """
    shots = as_frame(shots)
    check_count(min_shots, "min_shots", 1)
    check_level(level)
    if value not in _SHOWN:
        raise DataError(f"Unknown value {value!r}; use one of {', '.join(_SHOWN)}.")
    shown = _SHOWN[value]
    zones = zones_of_court(court)
    table = _zone_table(shots, player, zones, level)
    keys = [key for key in ("depth", "lane") if key in table.columns]
    placed = table.dropna(subset=keys)
    rectangles = _rectangles(zones, keys)
    rows = {tuple(row[key] for key in keys): row for row in placed.to_dict("records")}

    def enough(row: dict[Any, Any] | None) -> bool:
        if row is None:
            return False
        rests_on = table["n_shots"].sum() if value == "share" else row[shown.n]
        return bool(rests_on >= min_shots and np.isfinite(row[value]))

    norm = _norm([row[value] for row in rows.values() if enough(row)], shown.least_span)
    ax = new_axes(ax, size=(4.6, 7.0))
    plot_court(zones.court, ax=ax)
    for key, rectangle in rectangles.items():
        row = rows.get(key)
        if row is not None and enough(row):
            _draw_value(ax, rectangle, row, value, norm)
        else:
            _draw_too_few(ax, rectangle, 0 if row is None else int(row[shown.n]))
    name = plain(player)
    # a long name has a line to itself, as both together would not fit above the court
    title(ax, f"{name}:{' ' if columns(name) <= _SHORT else chr(10)}{shown.title}")
    bar: Any = {"fraction": 0.03, "aspect": 30, "shrink": 0.85}
    colour_bar(ax, norm, lambda v: f"{round(100.0 * v, 6):g}{shown.unit}", **bar)
    small = "middle half of the gaps" if value == "gap_m" else f"{level:.0%} interval"
    total, here = int(table["n_shots"].sum()), int(placed["n_shots"].sum())
    words = f"n = {here:,} shots, serves left out; small figures: {small}"
    if total > here:
        words += f"\n{total - here:,} more shots have no known zone"
    look: Any = {"ha": "center", "va": "top", "fontsize": 8.5, "color": QUIET}
    ax.text(0.5, -0.005, words, transform=ax.transAxes, **look)
    return ax


def _zone_table(shots: pd.DataFrame, player: str, zones: Zones, level: float) -> pd.DataFrame:
    features = with_features(shots, zones)
    own = features[(features["player"] == player) & (features["stroke"] != "serve")]
    if own.empty:
        known = ", ".join(map(str, features["player"].dropna().unique()))
        raise DataError(
            f"{player!r} has no shots but serves in this table. Players in it: {known}."
        )
    keys = [key for key in ("depth", "lane") if own[key].notna().any()]
    if not keys:
        raise DataError(
            f"No shot of {player} has a place on the court. Log x_m and y_m at contact, or give "
            "the player's hand, from which lane follows with side and gap."
        )
    return zone_features(own, by=["player", *keys], court=zones, level=level)


def _rectangles(zones: Zones, keys: list[str]) -> dict[tuple[str, ...], Rectangle]:
    """Rectangle of each zone; a direction that is not known is not divided."""
    whole: dict[tuple[str, ...], Rectangle] = {}
    for (depth, lane), part in zones.rectangles().items():
        key = tuple({"depth": depth, "lane": lane}[name] for name in keys)
        have = whole.get(key, part)
        whole[key] = Rectangle(*map(min, have[:2], part[:2]), *map(max, have[2:], part[2:]))
    return whole


def _norm(values: list[float], least_span: float) -> Normalize:
    """Colour limits on round tenths, wide enough that noise does not look like contrast."""
    if not values:
        return Normalize(0.0, 1.0)
    low = np.floor(min(values) * 10 + 1e-9) / 10
    high = np.ceil(max(values) * 10 - 1e-9) / 10
    if high - low < least_span:
        high = low + least_span
    return Normalize(float(low), float(high))


def _draw_value(ax: Axes, at: Rectangle, row: dict[Any, Any], value: str, norm: Normalize) -> None:
    shown = _SHOWN[value]
    colour = value_map()(float(norm(row[value])))
    ax.add_patch(patch_of(at, facecolor=colour, edgecolor="white", linewidth=1.5, zorder=1))
    number, low, high = (f"{100.0 * row[name]:.0f}" for name in (value, shown.low, shown.high))
    ends, n = f"{low}–{high}{shown.unit}", f"n = {row[shown.n]:,}"
    small = [(ends, 9.0, "normal"), (n, 9.0, "normal")]
    _label(ax, at, colour, [(f"{number}{shown.unit}", 13.0, "bold"), *small])


def _draw_too_few(ax: Axes, at: Rectangle, n: int) -> None:
    look: Any = {"facecolor": _EMPTY, "edgecolor": "#C4C7C9", "linewidth": 1.0, "hatch": "///"}
    ax.add_patch(patch_of(at, zorder=1, **look))
    _label(ax, at, _EMPTY, [("too few", 9.0, "normal"), (f"n = {n:,}", 9.0, "normal")])


def _label(ax: Axes, at: Rectangle, background: Any, lines: list[tuple[str, float, str]]) -> None:
    """Lines of text in the middle of a zone, on a patch that keeps court lines off them."""
    x, y = at.centre
    gap = 0.47
    half = (len(lines) * gap + 0.1) / 2
    wide = min(0.72, at.width / 2)
    behind = Rectangle(x - wide, y - half, x + wide, y + half)
    ax.add_patch(patch_of(behind, facecolor=background, zorder=3.5))
    for i, (words, size, weight) in enumerate(lines):
        ax.text(
            x, y + (i - (len(lines) - 1) / 2) * gap, words, ha="center", va="center",
            fontsize=size, fontweight=weight, color=text_on(background), zorder=4,
        )  # fmt: skip
