"""A drill measured: share on target, error and spread; two compared; how many balls it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import fdtri, ndtri

from sidewall.arguments import Floats, Table, as_frame, check_level, check_share, column_names
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.features.rates import wilson_interval
from sidewall.placement.on_target import spread_columns

#: Said beside every drill and work list (common practice, no source).
CAUTIONS: Final = (
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
        One row a group: ``n_balls``, ``faults``, ``share`` with Wilson limits, and the columns of
        :func:`~sidewall.placement.placement_table` from ``bounces`` on.

    See Also
    --------
    read_practice
    compare_practice
    plot_practice

    Notes
    -----
    Balls are taken as independent of each other. A drill of fed or self-fed balls comes near
    that; where the player drifts within a session, compare whole sessions.

    Examples
    --------
    >>> places = {"bounce_x": [0.2, 0.5, 1.1, None], "bounce_y": [8.4, 8.1, 9.0, None]}
    >>> balls = pd.DataFrame({"session": "May", **places, "target": "back left"})
    >>> balls["ending"] = ["", "", "", "tin"]
    >>> table = sw.practice_table(sw.read_practice(balls))
    >>> table[["session", "n_balls", "faults", "share"]]
      session  n_balls  faults  share
    0     May        4       1   0.25
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
            "n_balls": len(group),
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


def share_difference(
    hits_before: int, n_before: int, hits_after: int, n_after: int, level: float = 0.95
) -> tuple[float, float, float]:
    """Share after minus share before, with Newcombe's limits.

    From Wilson's limits ``l, u`` of each share (Newcombe 1998, Statistics in Medicine
    17:873-890, method 10)::

        d - sqrt((p2 - l2)^2 + (u1 - p1)^2)  to  d + sqrt((u2 - p2)^2 + (p1 - l1)^2)
    """
    if n_before < 1 or n_after < 1:
        raise DataError("no balls before or none after; there is nothing to compare")
    p1, p2 = hits_before / n_before, hits_after / n_after
    l1, u1 = (float(end) for end in wilson_interval(hits_before, n_before, level))
    l2, u2 = (float(end) for end in wilson_interval(hits_after, n_after, level))
    d = p2 - p1
    return d, d - float(np.hypot(p2 - l2, u1 - p1)), d + float(np.hypot(u2 - p2, p1 - l1))


def compare_practice(before: Table, after: Table, *, level: float = 0.95) -> pd.DataFrame:
    """Compare a drill before and after.

    Parameters
    ----------
    before, after
        Balls from :func:`~sidewall.placement.read_practice`, of one target or of the same mix.
    level
        Confidence level.

    Returns
    -------
    DataFrame
        One row a quantity: ``before``, ``after``, ``n_before``, ``n_after``, ``change`` with
        ``low`` and ``high``: ``share on target`` (difference); ``error out (m)`` and ``error
        long (m)`` (difference of means); ``spread out (m)`` and ``spread long (m)`` (change is
        the ratio after to before).

    Raises
    ------
    DataError
        If either has no balls.

    See Also
    --------
    practice_table
    balls_needed

    Notes
    -----
    Shares: Newcombe's hybrid of Wilson intervals. Means: Welch 1947, Biometrika 34:28-35.
    Spreads: ratio of standard deviations by the F distribution, which needs normal scatter. A
    change between two sessions is also a change of day, feed and mood: several sessions before
    and after say more than one long one.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> places = {"bounce_x": rng.uniform(0, 1, 30), "bounce_y": rng.normal(8.2, 0.4, 30)}
    >>> balls = pd.DataFrame({"session": "May", **places, "target": "back left"})
    >>> before = sw.read_practice(balls)
    >>> after = sw.read_practice(balls.assign(session="June", bounce_x=rng.uniform(0, 0.6, 30)))
    >>> table = sw.compare_practice(before, after)
    >>> table.columns.to_list()[:3]
    ['before', 'after', 'n_before']
    """
    before = as_frame(before, "before")
    after = as_frame(after, "after")
    check_level(level)
    for name, part in (("before", before), ("after", after)):
        need_columns(part, ("on_target", "error_out_m", "error_long_m"))
        if part.empty:
            raise DataError(f"there are no balls {name}; choose sessions that were logged")
    n1, n2 = len(before), len(after)
    h1, h2 = int(before["on_target"].sum()), int(after["on_target"].sum())
    d, low, high = share_difference(h1, n1, h2, n2, level)
    rows: list[tuple[Any, ...]] = [("share on target", h1 / n1, h2 / n2, n1, n2, d, low, high)]
    for way in ("out", "long"):
        a, b = (part[f"error_{way}_m"].dropna().to_numpy(dtype=float) for part in (before, after))
        rows.append(
            (f"error {way} (m)", *_ends(a, b, np.mean), len(a), len(b), *_welch(a, b, level))
        )
    for way in ("out", "long"):
        a, b = (part[f"error_{way}_m"].dropna().to_numpy(dtype=float) for part in (before, after))
        rows.append((f"spread {way} (m)", *_ends(a, b, _sd), len(a), len(b), *_ratio(a, b, level)))
    sizes, change = ["n_before", "n_after"], ["change", "change_low", "change_high"]
    names = ["quantity", "before", "after", *sizes, *change]
    return pd.DataFrame(rows, columns=names).set_index("quantity")


def _sd(values: Floats) -> float:
    if len(values) < 2:
        return np.nan
    return float(np.std(values, ddof=1)) if np.ptp(values) > 0 else 0.0  # not 1e-17


def _ends(a: Floats, b: Floats, how: Any) -> tuple[float, float]:
    return tuple(float(how(part)) if len(part) else np.nan for part in (a, b))  # type: ignore[return-value]


def _welch(a: Floats, b: Floats, level: float) -> tuple[float, float, float]:
    if min(len(a), len(b)) < 2:
        return np.nan, np.nan, np.nan
    from scipy.stats import ttest_ind  # noqa: PLC0415 - slow to load

    d = float(b.mean() - a.mean())
    if _sd(a) == _sd(b) == 0:
        return d, d, d
    ends = ttest_ind(b, a, equal_var=False).confidence_interval(level)
    return d, float(ends.low), float(ends.high)


def _ratio(a: Floats, b: Floats, level: float) -> tuple[float, float, float]:
    if min(len(a), len(b)) < 2 or _sd(a) == 0:
        return np.nan, np.nan, np.nan
    ratio = _sd(b) / _sd(a)
    upper, lower = (
        float(fdtri(len(b) - 1, len(a) - 1, end)) for end in (0.5 + level / 2, 0.5 - level / 2)
    )
    return ratio, ratio / upper**0.5, ratio / lower**0.5


def balls_needed(before: float, after: float, *, power: float = 0.8, level: float = 0.95) -> int:
    """Balls before, and as many after, to see the share on target go from one to another.

    Parameters
    ----------
    before, after
        Shares on target, between 0 and 1.
    power
        Chance to see the change if it is there.
    level
        Confidence level of the (two-sided) comparison.

    Raises
    ------
    DataError
        If the shares are equal or not inside 0 to 1.

    See Also
    --------
    compare_practice
    read_practice

    Notes
    -----
    With ``p`` the mean of both shares and ``q = 1 - p``::

        n = (z_a sqrt(2 p q) + z_b sqrt(p1 q1 + p2 q2))^2 / (p1 - p2)^2

    Source: Fleiss, Levin & Paik 2003, *Statistical Methods for Rates and Proportions*, 3rd
    ed., 4.2 (without continuity correction). Balls are taken as independent of each other.

    Examples
    --------
    >>> sw.balls_needed(0.5, 0.7)
    93
    """
    check_level(level)
    check_share(before, "before")
    check_share(after, "after")
    check_share(power, "power")
    if before == after:
        raise DataError(f"before and after are both {before:g}; no number of balls shows nothing")
    mean = (before + after) / 2.0
    z_a, z_b = float(ndtri(0.5 + level / 2.0)), float(ndtri(power))
    spread = z_a * math.sqrt(2.0 * mean * (1.0 - mean)) + z_b * math.sqrt(
        before * (1.0 - before) + after * (1.0 - after)
    )
    return math.ceil(spread**2 / (before - after) ** 2)
