"""Where a shot was struck and bounced, and where the opponent was, in coarse words.

What was measured goes before the word that was charted; words alone do where nothing was.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from sidewall.arguments import Floats, Ints
from sidewall.court.court import Court
from sidewall.court.zones import (
    BOUNCES,
    DEPTHS,
    LANES,
    OPPONENT_PLACES,
    WALLS,
    Zones,
    gap_from_x,
    wall_of,
)
from sidewall.features.coded import as_category, codes_of


def zones_of_court(court: Court | Zones | None) -> Zones:
    """Zones with the default boundaries for a court, or the very zones that were given."""
    if isinstance(court, Zones):
        return court
    return Zones() if court is None else Zones(court)


def place_columns(
    shots: pd.DataFrame, court: Court | Zones | None = None
) -> dict[str, pd.Categorical]:
    """Place of every contact, opponent and bounce, as far as the log tells them.

    ``depth``, ``lane``, ``wall``, ``opponent_place`` and ``bounce`` as categoricals, (shots,); what
    they mean is told by :class:`~sidewall.court.zones.Zones`. They come from ``x_m`` and ``y_m``,
    ``opponent_x_m``, ``opponent_y_m`` and ``bounce_y_m``, else from the charted words. Without
    ``x_m`` and ``lane`` a right-hander's forehand is taken to be on the right wall, and so on, and
    the gap is measured from that wall. Near the middle of the court that may be the wrong wall,
    but then the lane is the centre either way. Serves get no wall from their side: the box says
    where a server stands, not the hand.
    """
    zones = zones_of_court(court)
    x, y = _metres(shots, "x_m"), _metres(shots, "y_m")
    _, from_x = gap_from_x(x, zones.court)
    wall = from_x.codes.astype(np.int64)
    if "hand" in shots.columns:
        faced = wall_of(shots["side"], shots["hand"]).codes.astype(np.int64)
        faced[(shots["stroke"] == "serve").to_numpy()] = -1
        wall = np.where(np.isnan(x), faced, wall)
    said = _said(shots, "lane", LANES)
    wall = np.select([np.isnan(x) & (said == 0), np.isnan(x) & (said == 2)], [0, 1], wall)
    gap = shots["gap_m"].to_numpy(dtype=np.float64)
    gap = np.where(gap <= zones.court.half_width_m, gap, np.nan)
    from_gap = np.select([wall == 0, wall == 1], [gap, zones.court.width_m - gap], np.nan)
    across = np.where(np.isnan(x), from_gap, x)
    depth, lane = zones.zone_of(_or_zero(across), _or_zero(y))
    depth_codes = np.where(np.isnan(y), _said(shots, "depth", DEPTHS), depth.codes)
    lane_codes = np.where(np.isnan(across), said, lane.codes)
    opponent = zones.opponent_place(
        _metres(shots, "opponent_x_m") - x, _metres(shots, "opponent_y_m") - y
    )
    bounce = zones.bounce_of(_metres(shots, "bounce_y_m"))
    return {
        "depth": as_category(depth_codes.astype(np.int64), DEPTHS),
        "lane": as_category(lane_codes.astype(np.int64), LANES),
        "wall": as_category(wall, WALLS),
        "opponent_place": _else_said(opponent, shots, "opponent_place", OPPONENT_PLACES),
        "bounce": _else_said(bounce, shots, "bounce", BOUNCES),
    }


def _said(shots: pd.DataFrame, column: str, words: tuple[str, ...]) -> Ints:
    if column not in shots.columns:
        return np.full(len(shots), -1)
    return codes_of(shots[column], words)


def _else_said(
    told: pd.Categorical, shots: pd.DataFrame, column: str, words: tuple[str, ...]
) -> pd.Categorical:
    codes = told.codes.astype(np.int64)
    return as_category(np.where(codes < 0, _said(shots, column, words), codes), words)


def _metres(shots: pd.DataFrame, column: str) -> Floats:
    if column not in shots.columns:
        return np.full(len(shots), np.nan)
    return shots[column].to_numpy(dtype=np.float64)


def _or_zero(values: Floats) -> Floats:
    return np.where(np.isnan(values), 0.0, values)
