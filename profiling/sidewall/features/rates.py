"""Shares with intervals: Wilson's, and the same where shots come in clusters.

All the shots of a rally share one result, so a hundred shots from thirty rallies know about
as much as thirty, not as a hundred. Wilson's interval is kept, on fewer, effective shots.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from sidewall.arguments import Floats, Ints
from sidewall.errors import DataError


def wilson_interval(
    successes: ArrayLike, n: ArrayLike, level: float = 0.95
) -> tuple[Floats, Floats]:
    """Wilson's interval for one proportion or many at once.

    Parameters
    ----------
    successes, n
        Successes and trials; any shapes that broadcast together. Fractions are welcome, so
        that an effective number of trials can stand for ``n``.
    level
        Confidence level, strictly between 0 and 1.

    Returns
    -------
    low, high
        Arrays of the broadcast shape; NaN where ``n`` is 0 or either input is NaN.

    Raises
    ------
    DataError
        If successes are negative or more than the trials, or ``level`` is not inside (0, 1).

    Notes
    -----
    With ``p = successes / n`` and ``z`` the normal quantile of ``(1 + level) / 2``::

        (p + z^2 / 2n  -/+  z sqrt(p (1 - p) / n + z^2 / 4n^2)) / (1 + z^2 / n)

    Source: Wilson 1927, Journal of the American Statistical Association 22:209-212; method 3
    of Newcombe 1998, Statistics in Medicine 17:857-872.
    """
    if not 0.0 < level < 1.0:
        raise DataError(f"level is {level}; give a confidence level between 0 and 1, such as 0.95.")
    k, trials = np.broadcast_arrays(
        np.asarray(successes, dtype=np.float64), np.asarray(n, dtype=np.float64)
    )
    # An effective n times a rate may miss n by rounding; that is not a wrong count.
    slack = 1e-9 * np.maximum(trials, 1.0)
    wrong = (k < -slack) | (k > trials + slack) | (trials < 0.0)
    if wrong.any():
        at = int(np.flatnonzero(wrong)[0])
        raise DataError(
            f"{k.flat[at]:g} successes in {trials.flat[at]:g} trials (position {at}): successes "
            "must lie between 0 and the number of trials. Check which of the two was given first."
        )
    # Own code for two lines: statsmodels has the same (a test compares), and loads for a second
    # of processor time that reading a log or drawing a table would otherwise not take.
    z2 = float(ndtri(0.5 + level / 2.0)) ** 2
    some = trials > 0.0
    safe = np.where(some, trials, 1.0)
    p = np.clip(k / safe, 0.0, 1.0)
    # Written over n + z^2, so that a huge n loses no digits to a tiny z^2 / n.
    centre = (p * safe + z2 / 2.0) / (safe + z2)
    half = np.sqrt(z2 * (p * (1.0 - p) * safe + z2 / 4.0)) / (safe + z2)
    # The algebra gives exactly 0 at p = 0 and 1 at p = 1; rounding must not move them.
    low = np.where(p == 0.0, 0.0, np.clip(centre - half, 0.0, 1.0))
    high = np.where(p == 1.0, 1.0, np.clip(centre + half, 0.0, 1.0))
    known = some & ~np.isnan(k)
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


class ClusteredRate(NamedTuple):
    """Rates of each group, arrays of shape (groups,); NaN where a group has no shots."""

    rate: Floats
    low: Floats
    high: Floats
    n: Ints
    clusters: Ints
    n_effective: Floats


def clustered_rate(
    success: Floats,
    cluster: Ints,
    group: Ints,
    groups: int,
    level: float = 0.95,
) -> ClusteredRate:
    """Share of successes in each group, with Wilson's interval on the effective n.

    Parameters
    ----------
    success
        (shots,) 1.0, 0.0, or NaN for a shot that does not count.
    cluster
        (shots,) number of the rally.
    group
        (shots,) number of the group, from 0 to ``groups - 1``.
    groups
        How many groups there are.
    level
        Confidence level.

    Notes
    -----
    In a group let ``n`` shots come from ``G`` rallies, rally ``r`` with ``m_r`` shots, let
    ``p`` be the share of successes and ``e_r`` the sum over the rally's shots of (success
    minus ``p``). The variance of ``p`` is estimated from the rallies, and the effective n is
    the number of independent shots that would give the same variance (Kish 1965, *Survey
    Sampling*, the design effect), reduced because few rallies estimate a variance poorly
    (Korn & Graubard 1998, Survey Methodology 24:193-201; there for the exact interval)::

        v     = G / (G - 1) * sum e_r^2 / n^2
        n_eff = p (1 - p) / v * (t_{n-1} / t_{G-1})^2

    ``t_k`` being the quantile of Student's t at ``(1 + level) / 2``. It is kept between
    ``max(1, n^2 / (2 sum m_r^2))`` and ``n``. The lower bound is half the effective n of
    rallies whose shots agree completely (Kish): less would be an accident of few rallies.
    Where every shot has the same result ``v`` is 0 and tells nothing, and complete agreement,
    ``n^2 / sum m_r^2``, stands in for the first factor.
    """
    counts = ~np.isnan(success)
    y, g = success[counts], group[counts]
    n = np.bincount(g, minlength=groups).astype(np.int64)
    hits = np.bincount(g, weights=y, minlength=groups)
    some = n > 0
    p = np.divide(hits, n, out=np.full(groups, np.nan), where=some)

    pair_group, _, of_pair, m = _pairs(g, cluster[counts])
    e = _sums(of_pair, y - p[g], len(m))
    clusters = np.bincount(pair_group, minlength=groups).astype(np.int64)
    sum_e2 = _sums(pair_group, e**2, groups)
    sum_m2 = _sums(pair_group, m**2, groups)

    return _interval(p, n, clusters, level, sum_e2=sum_e2, sum_m2=sum_m2)


def clustered_share(
    group: Ints,
    owner_of_group: Ints,
    cluster: Ints,
    level: float = 0.95,
) -> ClusteredRate:
    """Share of its owner's shots that each group holds, with an interval as above.

    Parameters
    ----------
    group
        (shots,) number of the group, every number from 0 up in use.
    owner_of_group
        (groups,) number of the whole, such as the player, that the group is a part of.
    cluster
        (shots,) number of the rally.
    level
        Confidence level.

    Returns
    -------
    ClusteredRate
        ``n`` and ``clusters`` are the owner's.

    Notes
    -----
    As in `clustered_rate`, success being "this shot is in the group" over all the owner's
    shots: with ``k_r`` of the rally's ``m_r`` shots in the group, ``e_r = k_r - p m_r``, and
    the sum of squares is expanded so that rallies without the group cost nothing.
    """
    groups = len(owner_of_group)
    owners = int(owner_of_group.max(initial=-1)) + 1
    whole_owner, whole_cluster, _, m = _pairs(owner_of_group[group], cluster)
    part_group, part_cluster, _, k = _pairs(group, cluster)
    span = int(cluster.max(initial=0)) + 1
    m_of_part = m[
        np.searchsorted(
            whole_owner * span + whole_cluster, owner_of_group[part_group] * span + part_cluster
        )
    ]

    def whole(weights: Floats) -> Floats:
        return _sums(whole_owner, weights, owners)[owner_of_group]

    def part(weights: Floats) -> Floats:
        return _sums(part_group, weights, groups)

    n, clusters, sum_m2 = whole(m), whole(np.ones_like(m)), whole(m**2)
    p = part(k) / n
    sum_e2 = part(k**2) - 2.0 * p * part(k * m_of_part) + p**2 * sum_m2
    sum_e2 = np.where(sum_e2 > 1e-9 * sum_m2, sum_e2, 0.0)
    return _interval(
        p, n.astype(np.int64), clusters.astype(np.int64), level, sum_e2=sum_e2, sum_m2=sum_m2
    )


def _sums(group: Ints, weights: Floats, groups: int) -> Floats:
    return np.bincount(group, weights=weights, minlength=groups).astype(np.float64)


def _pairs(group: Ints, cluster: Ints) -> tuple[Ints, Ints, Ints, Floats]:
    """Group and cluster of each pair that occurs, the pair of each shot, shots in each pair."""
    span = int(cluster.max(initial=0)) + 1
    pairs, of_pair, m = np.unique(group * span + cluster, return_inverse=True, return_counts=True)
    return pairs // span, pairs % span, of_pair, m.astype(np.float64)


def _interval(
    p: Floats,
    n: Ints,
    clusters: Ints,
    level: float,
    *,
    sum_e2: Floats,
    sum_m2: Floats,
) -> ClusteredRate:
    some = n > 0
    n_effective = np.full(len(p), np.nan)
    n_effective[some] = _effective_n(
        p[some],
        n[some].astype(np.float64),
        clusters[some],
        level,
        sum_e2=sum_e2[some],
        sum_m2=sum_m2[some],
    )
    filled = np.where(some, n_effective, 0.0)
    low, high = wilson_interval(np.where(some, p, 0.0) * filled, filled, level)
    return ClusteredRate(p, low, high, n, clusters, n_effective)


def _effective_n(
    p: Floats,
    n: Floats,
    clusters: Ints,
    level: float,
    *,
    sum_e2: Floats,
    sum_m2: Floats,
) -> Floats:
    agreeing = n**2 / sum_m2
    spread = p * (1.0 - p)
    variance = clusters / np.maximum(clusters - 1, 1) * sum_e2 / n**2
    tiny = spread / n * 1e-9  # rounding only: opposite results cancel within rallies
    by_variance = np.divide(
        spread, variance, out=np.full_like(n, np.inf), where=(variance > tiny) & (spread > 0)
    )
    raw = np.where(spread > 0, by_variance, agreeing)
    few = clusters < 2
    q = 0.5 + level / 2.0
    ratio = stdtrit(np.maximum(n - 1, 1), q) / stdtrit(np.maximum(clusters - 1, 1), q)
    adjusted = np.where(few, 0.0, raw * ratio**2)
    return np.clip(adjusted, np.maximum(1.0, agreeing / 2.0), n)
