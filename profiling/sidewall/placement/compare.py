"""Before against after: a difference of shares, of mean errors and of spreads."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import fdtri, stdtrit

from sidewall.arguments import Floats, Table, as_frame, check_level
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.features.rates import wilson_interval


def share_difference(
    hits_before: int, n_before: int, hits_after: int, n_after: int, level: float = 0.95
) -> tuple[float, float, float]:
    """Share after minus share before, with Newcombe's limits.

    Returns
    -------
    difference, low, high

    Notes
    -----
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

    Notes
    -----
    Shares: Newcombe's hybrid of Wilson intervals. Means: Welch 1947, Biometrika 34:28-35.
    Spreads: ratio of standard deviations by the F distribution, which needs normal scatter. A
    change between two sessions is also a change of day, feed and mood: several sessions before
    and after say more than one long one.
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
    names = ["quantity", "before", "after", "n_before", "n_after", "change", "low", "high"]
    return pd.DataFrame(rows, columns=names).set_index("quantity")


def _sd(values: Floats) -> float:
    return float(np.std(values, ddof=1)) if len(values) > 1 else np.nan


def _ends(a: Floats, b: Floats, how: Any) -> tuple[float, float]:
    return tuple(float(how(part)) if len(part) else np.nan for part in (a, b))  # type: ignore[return-value]


def _welch(a: Floats, b: Floats, level: float) -> tuple[float, float, float]:
    if min(len(a), len(b)) < 2:
        return np.nan, np.nan, np.nan
    va, vb = np.var(a, ddof=1) / len(a), np.var(b, ddof=1) / len(b)
    d = float(b.mean() - a.mean())
    if va + vb == 0:
        return d, d, d
    df = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    half = float(stdtrit(df, 0.5 + level / 2.0) * np.sqrt(va + vb))
    return d, d - half, d + half


def _ratio(a: Floats, b: Floats, level: float) -> tuple[float, float, float]:
    if min(len(a), len(b)) < 2 or _sd(a) == 0:
        return np.nan, np.nan, np.nan
    ratio = _sd(b) / _sd(a)
    upper, lower = (
        float(fdtri(len(b) - 1, len(a) - 1, end)) for end in (0.5 + level / 2, 0.5 - level / 2)
    )
    return ratio, ratio / upper**0.5, ratio / lower**0.5
