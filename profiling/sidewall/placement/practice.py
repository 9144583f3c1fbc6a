"""A drill measured: share on target, mean error and spread of balls hit alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame, check_level, check_share, column_names
from sidewall.features.coded import need_columns
from sidewall.features.rates import wilson_interval
from sidewall.placement.on_target import spread_columns

#: Said beside every drill (common practice, no source).
PRACTICE_CAUTIONS: Final = (
    "Warm up before the first ball.",
    "Build the number of balls and the pace gradually, over weeks.",
    "Stop when it hurts.",
    "Wear eye protection as the player's federation requires, alone on court as well.",
    "Take medical questions to a doctor or a physiotherapist.",
)


def practice_table(
    balls: Table,
    by: str | Sequence[str] = ("session", "target"),
    *,
    level: float = 0.95,
    ellipse_share: float = 0.8,
) -> pd.DataFrame:
    """Share on target, mean error and spread, group by group.

    Parameters
    ----------
    balls
        From :func:`~sidewall.placement.read_practice`.
    by
        Columns that make a group.
    level
        Confidence level.
    ellipse_share
        Chance that the next bounce falls into the ellipse.

    Returns
    -------
    DataFrame
        One row a group: ``balls``, ``faults``, ``share`` with Wilson limits, and the columns of
        :func:`~sidewall.placement.placement_table` from ``bounces`` on.

    Notes
    -----
    Balls are taken as independent of each other. A drill of fed or self-fed balls comes near
    that; where the player drifts within a session, compare whole sessions.
    """
    balls = as_frame(balls, "balls")
    check_level(level)
    check_share(ellipse_share, "ellipse_share")
    need_columns(balls, ("on_target", "error_out_m", "error_long_m"))
    by = column_names(by, balls.columns)
    rows = []
    for key, group in balls.groupby(list(by), observed=True, sort=True):
        hits = int(group["on_target"].sum())
        low, high = wilson_interval(hits, len(group), level)
        seen = group[group["error_out_m"].notna()]
        row = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
        row |= {
            "balls": len(group),
            "faults": len(group) - len(seen),
            "share": hits / len(group),
            "share_low": float(low),
            "share_high": float(high),
        }
        row |= spread_columns(
            seen["error_out_m"].to_numpy(),
            seen["error_long_m"].to_numpy(),
            np.arange(len(seen)),
            level,
            ellipse_share,
        )
        rows.append(row)
    return pd.DataFrame(rows)
