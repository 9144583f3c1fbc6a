"""Where on the court a shot was struck: depth, lane and nearest side wall."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.court.court import Court
from sidewall.court.zones import DEPTHS, LANES, WALLS, Zones, gap_from_x, wall_of
from sidewall.features.coded import as_category

__all__ = ["place_columns", "zones_of_court"]


def zones_of_court(court: Court | Zones | None) -> Zones:
    """Zones with the default boundaries for a court, or the very zones that were given."""
    if isinstance(court, Zones):
        return court
    return Zones() if court is None else Zones(court)


def place_columns(
    shots: pd.DataFrame, court: Court | Zones | None = None
) -> dict[str, pd.Categorical]:
    """Depth, lane and wall of every contact, as far as the log tells them.

    Parameters
    ----------
    shots
        A shot table; uses ``x_m`` and ``y_m``, and where ``x_m`` is missing ``side``, ``hand``
        and ``gap_m``.
    court
        A court, or zones with boundaries of one's own; the standard singles court if None.

    Returns
    -------
    dict
        ``depth``, ``lane`` and ``wall``, each a Categorical of shape (shots,).

    Notes
    -----
    Without ``x_m`` a right-hander's forehand is taken to be on the right wall, and so on, and
    the gap is measured from that wall. Near the middle of the court that may be the wrong
    wall, but then the lane is the centre either way. Serves get no wall from their side: the
    box says where a server stands, not the hand.
    """
    zones = zones_of_court(court)
    n = len(shots)
    x, y = _metres(shots, "x_m"), _metres(shots, "y_m")
    _, from_x = gap_from_x(x, zones.court)
    wall = from_x.codes.astype(np.int64)
    if "hand" in shots.columns:
        faced = wall_of(shots["side"], shots["hand"]).codes.astype(np.int64)
        faced[(shots["stroke"] == "serve").to_numpy()] = -1
        wall = np.where(np.isnan(x), faced, wall)
    gap = shots["gap_m"].to_numpy(dtype=np.float64)
    gap = np.where(gap <= zones.court.half_width_m, gap, np.nan)
    from_gap = np.select([wall == 0, wall == 1], [gap, zones.court.width_m - gap], np.nan)
    across = np.where(np.isnan(x), from_gap, x)
    depth, lane = zones.zone_of(_or_zero(across), _or_zero(y))
    depth_codes = np.where(np.isnan(y), -1, depth.codes.astype(np.int64))
    lane_codes = np.where(np.isnan(across), -1, lane.codes.astype(np.int64))
    if n == 0:
        depth_codes = lane_codes = wall = np.empty(0, dtype=np.int64)
    return {
        "depth": as_category(depth_codes, DEPTHS),
        "lane": as_category(lane_codes, LANES),
        "wall": as_category(wall, WALLS),
    }


def _metres(shots: pd.DataFrame, column: str) -> NDArray[np.float64]:
    if column not in shots.columns:
        return np.full(len(shots), np.nan)
    return shots[column].to_numpy(dtype=np.float64)


def _or_zero(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(np.isnan(values), 0.0, values)
