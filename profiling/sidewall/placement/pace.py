"""Pace against accuracy, as far as times in the video can tell.

A log knows when a ball was struck and when the opponent struck it next. The straight path
from the one contact to the front wall and on to the other, over that time, is a mean speed
along the floor. It is less than the speed off the racket: side walls and the back wall make
the true path longer, the ball slows down, and a reply may be let run. Balls that nobody
struck again, winners and errors among them, have no pace.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame, check_count, check_level, column_names
from sidewall.court import Court, Zones
from sidewall.errors import DataError, SeparationError
from sidewall.features.coded import need_columns
from sidewall.features.rallies import need_whole_rallies
from sidewall.features.shots import with_features
from sidewall.placement.player_curves import PlayerCurves

HAS_PACE: Final = ("t_s", "x_m", "y_m")
#: Times coarser than this say nothing about balls that take about a second and a third.
_COARSE_S: Final = 0.25
#: No ball is struck and struck again faster, or flies longer: a slip in the times.
_QUICKEST_S, _SLOWEST_S = 0.2, 6.0


def with_pace(shots: pd.DataFrame) -> pd.DataFrame:
    """Add ``time_left_s`` and ``pace_m_s`` to each shot.

    Parameters
    ----------
    shots
        A shot table or a table of features in order of play, with ``t_s``, ``x_m``, ``y_m``.

    Returns
    -------
    DataFrame
        As features, and:

        - ``time_left_s``: seconds until the opponent strikes the ball;
        - ``pace_m_s``: length of the straight path by way of the front wall from this contact
          to the next, over that time, metres a second.

        Both NaN for a ball that nobody struck again.

    Raises
    ------
    DataError
        If the times are whole seconds, or coarser.

    Notes
    -----
    With the front wall as a mirror the path from (x, y) to (x', y') is
    ``sqrt((x' - x)^2 + (y + y')^2)`` long.
    """
    need_columns(shots, HAS_PACE)
    table = with_features(shots)
    t, x, y = (table[name].to_numpy(dtype=float) for name in HAS_PACE)
    if (apart := _steps(t)) > _COARSE_S:
        raise DataError(
            f"the times are {apart:g} s apart at best, too coarse for the pace of a shot: "
            "write them to a tenth of a second or finer"
        )
    rally, shot = table["rally_id"].to_numpy(), table["shot"].to_numpy()
    follows = np.zeros(len(table), dtype=bool)
    follows[:-1] = (rally[1:] == rally[:-1]) & (shot[1:] == shot[:-1] + 1)

    def after(values: np.ndarray) -> np.ndarray:
        return np.where(follows, np.append(values[1:], np.nan), np.nan)

    left = after(t) - t
    left = np.where((left >= _QUICKEST_S) & (left <= _SLOWEST_S), left, np.nan)
    path = np.hypot(after(x) - x, y + after(y))
    return table.assign(time_left_s=left, pace_m_s=path / left)


def tells_pace(shots: pd.DataFrame) -> bool:
    """Whether the log has places, and times fine enough, for the pace of a shot."""
    if not set(HAS_PACE) <= set(shots.columns):
        return False
    return _steps(shots["t_s"].to_numpy(dtype=float)) <= _COARSE_S


def _steps(t: np.ndarray) -> float:
    """Least step between times, seconds; 0 where there are too few to tell."""
    steps = np.diff(np.unique(np.round(t[np.isfinite(t)], 3)))
    return float(steps.min()) if len(steps) > 20 else 0.0


def pace_and_accuracy(
    shots: Table,
    targets: Sequence | None = None,
    *,
    by: str | Sequence[str] = ("stroke",),
    bands: int = 3,
    court: Court | Zones | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Share on target and spread at slow, middling and fast pace.

    Parameters
    ----------
    shots, targets, court
        See :func:`~sidewall.placement.placed_shots`; with times and places.
    by
        Columns that make a group. Bands of pace are made within each player and group, so
        that players are compared with themselves.
    bands
        How many bands of equal numbers of shots.
    level
        Confidence level.

    Returns
    -------
    DataFrame
        One row a group and ``pace_band`` (1 the slowest): median ``pace_m_s``, and the columns
        of :func:`~sidewall.placement.placement_table` but the robust ones. Beside them, the same
        in every band of the group, ``odds_ratio`` with limits: by how much the usual player's
        odds of being on target change with one metre a second more than his own mean pace;
        NaN where it cannot be told.

    Notes
    -----
    Only balls that the opponent struck again and that bounced where the charter saw it. What
    The limits of ``odds_ratio`` are clustered by rally, with players and matches pooled. What
    is compared is shots that happened to be fast or slow: an easy ball may be both struck
    harder and placed better, and a ball that runs long has flown a longer path.
    """
    shots = as_frame(shots)
    check_level(level)
    from sidewall.placement.on_target import placed_shots, placement_table  # noqa: PLC0415

    check_count(bands, "bands", 2)
    table = with_features(shots, court)
    by = column_names(by, table.columns)
    need_whole_rallies(table)
    paced = with_pace(table)
    placed = placed_shots(paced, targets, court)
    placed = placed[placed["pace_m_s"].notna() & placed["on_target"].notna()]
    if placed.empty:
        raise DataError("no shot has both a pace and a known bounce; chart t, x, y and bounces")
    own = placed.groupby(["player", *by], observed=True)["pace_m_s"]
    rank = (own.rank(method="first") - 0.5) / own.transform("size")
    band = np.minimum((rank * bands).astype(int) + 1, bands)
    table = placement_table(
        placed.assign(pace_band=band),
        targets,
        by=[*by, "pace_band"],
        court=court,
        level=level,
        robust=False,
    )
    slopes = [
        dict(zip(by, key, strict=True)) | pace_slope(group, level)
        for key, group in placed.groupby(list(by), observed=True)
    ]
    return table.merge(pd.DataFrame(slopes), on=list(by), how="left")


def pace_slope(group: pd.DataFrame, level: float) -> dict[str, float]:
    """Odds ratio of one metre a second more, with intercept and slope of each player's own."""
    from scipy.special import ndtri  # noqa: PLC0415

    pace = group["pace_m_s"]
    pace = pace - pace.groupby(group["player"], observed=True).transform("mean")
    spread = float(pace.std())
    none = {"odds_ratio": np.nan, "odds_ratio_low": np.nan, "odds_ratio_high": np.nan}
    if not spread > 0.0:
        return none
    # in spreads of the pace, so that how far players may differ means the same in any group
    X = pd.DataFrame({"constant": 1.0, "pace": pace / spread})
    try:
        fit = PlayerCurves().fit(group["on_target"], X, ["constant", "pace"], group)
    except (SeparationError, DataError):  # all alike: there is no slope to tell
        return none
    value, covariance = fit.usual_
    half = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(covariance[1, 1]))
    return {
        name: float(np.exp((value[1] + step * half) / spread))
        for name, step in zip(none, (0.0, -1.0, 1.0), strict=True)
    }
