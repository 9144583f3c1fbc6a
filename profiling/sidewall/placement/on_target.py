"""Shots against their targets: share on target, mean error, spread, and pace beside them.

A log knows when a ball was struck and when the opponent struck it next. The straight path
from the one contact to the front wall and on to the other, over that time, is a mean speed
along the floor. It is less than the speed off the racket: side walls and the back wall make
the true path longer, the ball slows down, and a reply may be let run. Balls that nobody
struck again, winners and errors among them, have no pace.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from sidewall.arguments import (
    Array,
    Ints,
    Table,
    as_frame,
    check_count,
    check_level,
    check_share,
    column_names,
)
from sidewall.court import WALLS, Court, Zones
from sidewall.errors import DataError, SeparationError
from sidewall.features.coded import need_columns
from sidewall.features.rallies import need_whole_rallies
from sidewall.features.rates import clustered_rate
from sidewall.features.shots import with_features
from sidewall.placement.ellipse import error_ellipse
from sidewall.placement.player_curves import PlayerCurves
from sidewall.placement.targets import Target, check_targets, court_targets

#: Endings of a shot that was no good: it missed whatever it was aimed at.
FAULTS: Final = ("tin", "out", "down")


def placed_shots(
    shots: pd.DataFrame, targets: Sequence[Target] | None = None, court: Court | Zones | None = None
) -> pd.DataFrame:
    """Give each shot its target, and say whether it hit it and by how much it missed the middle.

    Parameters
    ----------
    shots
        A shot table or a table of features, with ``bounce_x_m`` and ``bounce_y_m``.
    targets
        From `court_targets` (the default) or `read_targets`. A shot goes to the first whose
        strokes and wall fit it.
    court
        The court; singles if None.

    Returns
    -------
    DataFrame
        The shots that have a target, as features, and:

        - ``target``: its name; ``target_wall``: the wall that the shot was played to;
        - ``on_target``: 1.0 or 0.0; 0.0 also for a shot that ended in the tin, out or down;
          NaN where the bounce is not known, as for a ball that is met in the air;
        - ``error_out_m``: bounce minus middle of the target across the court, positive away
          from the target's wall (to the right for a target without one);
        - ``error_long_m``: the same along the court, positive for too long.

    Raises
    ------
    DataError
        If the log has no bounces, or no shot fits a target.

    Notes
    -----
    A straight shot goes to the wall it is struck at and a cross one to the other. Without a
    direction, or where the wall of the contact is not known, the half of the court in which
    the ball bounced decides.
    """
    need_columns(shots, ("bounce_x_m", "bounce_y_m", "stroke"))
    zones = court if isinstance(court, Zones) else Zones(court or Court())
    targets = check_targets(court_targets(zones.court) if targets is None else targets)
    table = with_features(shots, court)
    x = table["bounce_x_m"].to_numpy(dtype=float)
    y = table["bounce_y_m"].to_numpy(dtype=float)
    wall = _wall_played_to(table, x, zones.court)
    stroke = table["stroke"].astype(str).to_numpy()
    which = np.full(len(table), -1)
    for place, target in reversed(list(enumerate(targets))):
        fits = np.isin(stroke, target.strokes) if target.strokes else stroke != "serve"
        if target.wall is not None:
            fits &= wall == WALLS.index(target.wall)
        which[fits] = place
    if (which < 0).all():
        raise DataError(
            "no shot fits a target: the targets' strokes and walls are those of no shot. "
            f"The targets are {', '.join(target.name for target in targets)}."
        )
    fault = table["ending"].astype(object).isin(FAULTS).to_numpy()
    on, out, long = target_errors(targets, which, x, y)
    missed = fault & (which >= 0)
    on = np.where(missed, 0.0, on)
    out, long = (np.where(missed, np.nan, error) for error in (out, long))
    names = [target.name for target in targets]
    known: Any = pd.Categorical.from_codes(which, categories=pd.Index(names))
    walls: Any = pd.Categorical.from_codes(wall, categories=pd.Index(list(WALLS)))
    new = {
        "target": known,
        "target_wall": walls,
        "on_target": on,
        "error_out_m": out,
        "error_long_m": long,
        "fault": fault,
    }
    return table.assign(**new)[which >= 0]


def target_errors(
    targets: Sequence[Target], which: NDArray[np.integer], x: Array, y: Array
) -> tuple[Array, Array, Array]:
    """Hits and errors of bounces, metres, against the target of each; see `placed_shots`.

    `which` is the position of each ball's target, -1 for none; NaN where one is not known.
    """
    on, out, long = (np.full(len(x), np.nan) for _ in range(3))
    known = np.isfinite(x) & np.isfinite(y)
    for place, target in enumerate(targets):
        mine = (which == place) & known
        aim_x, aim_y = target.aim_m
        on[mine] = target.contains(x[mine], y[mine])
        out[mine] = (x[mine] - aim_x) * (-1.0 if target.wall == "right" else 1.0)
        long[mine] = y[mine] - aim_y
    return on, out, long


def _wall_played_to(table: pd.DataFrame, x: Array, court: Court) -> Ints:
    where = np.where(np.isnan(x), -1, (x > court.half_width_m).astype(np.int64))
    if "direction" not in table.columns:
        return where
    own = table["wall"].cat.codes.to_numpy().astype(np.int64)
    direction = table["direction"].astype(object).to_numpy()
    straight, cross = direction == "straight", direction == "cross"
    return np.select([(own >= 0) & straight, (own >= 0) & cross], [own, 1 - own], where)


def placement_table(
    shots: Table,
    targets: Sequence[Target] | None = None,
    *,
    by: str | Sequence[str] = ("player", "side", "stroke"),
    court: Court | Zones | None = None,
    level: float = 0.95,
    ellipse_share: float = 0.8,
    robust: bool = True,
) -> pd.DataFrame:
    """Share on target, mean error and spread of the bounces, group by group.

    Parameters
    ----------
    shots, targets, court
        See `placed_shots`.
    by
        Columns that make a group; ``target``, ``direction`` or ``match`` are others to try.
    level
        Confidence level.
    ellipse_share
        Chance that the next bounce falls into the ellipse.
    robust
        Whether to add the robust ellipse.

    Returns
    -------
    DataFrame
        One row a group with ``by`` and:

        - ``n_shots``, ``n_rallies``: those that count, faults among them; ``faults``; ``unseen``:
          shots without a known bounce, which do not count;
        - ``share``, ``share_low``, ``share_high``: on target (clustered by rally, Wilson);
        - ``out_m``, ``long_m`` with ``_low`` and ``_high``: mean error of the bounces seen;
        - ``out_sd_m``, ``long_sd_m``, ``correlation``;
        - ``ellipse_long_m``, ``ellipse_short_m`` (half axes), ``ellipse_deg`` (direction of
          the long one, from across to along the court) and the same ``robust_...``;
        - ``pace_m_s``, ``pace_shots``: median pace where the log has places, and times finer
          than whole seconds.

    See Also
    --------
    pace_and_accuracy
    court_targets
    plot_placement

    Examples
    --------
    >>> table = sw.placement_table(shots, by=("player", "stroke"))
    >>> table[["player", "stroke", "n_shots", "n_rallies", "unseen"]].head(2)
      player stroke  n_shots  n_rallies  unseen
    0  Cedar  drive      163         55      47
    1  Cedar   drop       67         42       1
    """
    shots = as_frame(shots)
    check_level(level)
    check_share(ellipse_share, "ellipse_share")
    table = placed_shots(shots, targets, court)
    if "pace_m_s" not in table.columns and tells_pace(table):
        paced = with_pace(with_features(shots, court))
        table = table.assign(pace_m_s=paced["pace_m_s"])
    by = column_names(by, table.columns)
    rows = []
    for key, group in table.groupby(list(by), observed=True, sort=True):
        counted = group[group["on_target"].notna()]
        row = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
        rate = clustered_rate(
            counted["on_target"].to_numpy(dtype=float),
            pd.factorize(counted["rally_id"])[0].astype(np.int64),
            np.zeros(len(counted), dtype=np.int64),
            1,
            level,
        )
        row |= {
            "n_shots": len(counted),
            "n_rallies": counted["rally_id"].nunique(),
            "faults": int(group["fault"].sum()),
            "unseen": len(group) - len(counted),
            "share": rate.rate[0],
            "share_low": rate.low[0],
            "share_high": rate.high[0],
        }
        seen = counted[counted["error_out_m"].notna()]
        row |= spread_columns(
            seen["error_out_m"].to_numpy(),
            seen["error_long_m"].to_numpy(),
            seen["rally_id"].to_numpy(),
            level,
            ellipse_share,
            robust,
        )
        if "pace_m_s" in group.columns:
            row |= {
                "pace_m_s": group["pace_m_s"].median(),
                "pace_shots": int(group["pace_m_s"].notna().sum()),
            }
        rows.append(row)
    return pd.DataFrame(rows)


def spread_columns(
    out: Array,
    long: Array,
    cluster: Array,
    level: float,
    ellipse_share: float,
    robust: bool = True,
) -> dict[str, float]:
    """Mean errors with limits, standard deviations and both ellipses of some bounces."""
    row: dict[str, float] = {"bounces": len(out)}
    for name, error in (("out", out), ("long", long)):
        mean, low, high = mean_error(error, cluster, level)
        row |= {f"{name}_m": mean, f"{name}_m_low": low, f"{name}_m_high": high}
        row[f"{name}_sd_m"] = float(np.std(error, ddof=1)) if len(error) > 1 else np.nan
    row["correlation"] = float(np.corrcoef(out, long)[0, 1]) if len(out) > 2 else np.nan
    for name in ("ellipse", "robust") if robust else ("ellipse",):
        try:
            one = error_ellipse(out, long, ellipse_share, robust=name == "robust")
        except DataError:  # too few bounces: said by the missing value beside their number
            row |= {f"{name}_long_m": np.nan, f"{name}_short_m": np.nan, f"{name}_deg": np.nan}
            continue
        half_long, half_short = one.half_axes_m
        row |= {
            f"{name}_long_m": half_long,
            f"{name}_short_m": half_short,
            f"{name}_deg": one.angle_deg,
        }
    return row


def mean_error(error: Array, cluster: Array, level: float = 0.95) -> tuple[float, float, float]:
    """Mean of errors, (n,), with limits that allow for those of one cluster being alike.

    With ``e_c`` the sum of a cluster's deviations from the mean and G clusters, the variance
    of the mean is ``G / (G - 1) sum e_c^2 / n^2``, and Student's t with G - 1 degrees of
    freedom gives the limits (the ratio mean of Cochran 1977, *Sampling Techniques*, 3rd ed.,
    9A.1), NaN with fewer than two. One shot a cluster makes it the usual interval of a mean.
    """
    if not len(error):
        return np.nan, np.nan, np.nan
    mean = float(error.mean())
    code, labels = pd.factorize(cluster)
    groups = len(labels)
    if groups < 2:
        return mean, np.nan, np.nan
    sums = np.bincount(code, weights=error - mean, minlength=groups)
    variance = groups / (groups - 1) * float(np.sum(sums**2)) / len(error) ** 2
    half = float(stdtrit(groups - 1, 0.5 + level / 2.0)) * np.sqrt(variance)
    return mean, mean - half, mean + half


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
        Columns that make a group; shots that are blank in one are left out. Bands of pace are
        made within each player and group, so that players are compared with themselves.
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

    See Also
    --------
    placement_table

    Notes
    -----
    Only balls that the opponent struck again and that bounced where the charter saw it. The
    limits of ``odds_ratio`` are clustered by rally, with players and matches pooled. What
    is compared is shots that happened to be fast or slow: an easy ball may be both struck
    harder and placed better, and a ball that runs long has flown a longer path.

    Examples
    --------
    >>> table = sw.pace_and_accuracy(shots, bands=2)
    >>> table.columns.to_list()[:4]
    ['stroke', 'pace_band', 'n_shots', 'n_rallies']
    """
    shots = as_frame(shots)
    check_level(level)

    check_count(bands, "bands", 2)
    table = with_features(shots, court)
    by = column_names(by, table.columns)
    need_whole_rallies(table)
    paced = with_pace(table)
    placed = placed_shots(paced, targets, court)
    known = placed["pace_m_s"].notna() & placed["on_target"].notna()
    placed = placed[known & placed[list(by)].notna().all(axis=1)]
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
