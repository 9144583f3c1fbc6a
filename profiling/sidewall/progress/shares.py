"""Change of a share between two periods, like compared with like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools

#: Shots, and rallies, that each period takes.
LEAST_SHOTS: Final = 10
#: Matches in each period from which their own spread is looked at.
_LEAST_MATCHES: Final = 3


@dataclass(frozen=True)
class ShareChange:
    """Shares before and after in the same mix of shots; errors are standard errors.

    Everything is missing where a period has fewer than ten such shots in ten rallies.
    """

    before: float
    after: float
    before_error: float
    after_error: float
    error: float
    n: tuple[int, int]
    rallies: tuple[int, int]

    @property
    def change(self) -> float:
        """After minus before."""
        return self.after - self.before


def share_change(
    success: Array, stratum: Array, after: Bools, rally: Array, match: Array
) -> ShareChange:
    """Compare a share between periods within strata, such as targets.

    Parameters
    ----------
    success : ndarray, shape (n,)
        1.0 or 0.0.
    stratum, rally, match : ndarray, shape (n,)
        Labels.
    after : ndarray of bool, shape (n,)

    Returns
    -------
    ShareChange

    Notes
    -----
    In stratum k let n_k shots before and m_k after have shares p_k and q_k. Their difference
    is averaged with weights ``w_k`` in proportion to ``n_k m_k / (n_k + m_k)``, those of
    Mantel & Haenszel, so that a change in which shots are played is no change of the share.
    The average is linear in the shots, and its variance is the sum of squares of what each
    rally adds to it, times G / (G - 1) in each period. Where both periods have three matches
    or more, the same is done by match, and the larger of the two is taken; it is never taken
    below that of independent shots at the share of both periods (with one shot and one
    success added), which few rallies that agree would do.
    """
    code, names = pd.factorize(stratum)
    when = after.astype(np.int64)
    K = len(names)
    n = np.bincount(2 * code + when, minlength=2 * K).reshape(K, 2).astype(float)
    both = np.asarray((n > 0).all(axis=1))
    use = both[code]
    y, code, when, rally, match = (a[use] for a in (success, code, when, rally, match))
    shots = np.bincount(when, minlength=2)
    rallies = [len(np.unique(rally[when == p])) for p in (0, 1)]
    counts = (int(shots[0]), int(shots[1])), (rallies[0], rallies[1])
    if min(*shots, *rallies) < LEAST_SHOTS:
        missing = float("nan")
        return ShareChange(missing, missing, missing, missing, missing, *counts)
    hits = np.bincount(2 * code + when, weights=y, minlength=2 * K).reshape(K, 2)
    share = np.divide(hits, n, out=np.zeros_like(n), where=n > 0)
    weight = np.where(both, n[:, 0] * n[:, 1] / np.maximum(n.sum(axis=1), 1), 0.0)
    weight /= weight.sum()
    before, after_share = weight @ share
    part = weight[code] * (y - share[code, when]) / n[code, when]
    variance = _variance(part, when, rally)
    if min(len(np.unique(match[when == p])) for p in (0, 1)) >= _LEAST_MATCHES:
        variance = np.maximum(variance, _variance(part, when, match))
    pooled = (hits.sum(axis=1) + 1.0) / (n.sum(axis=1) + 2.0)
    floor = np.where(both, weight**2 * pooled * (1.0 - pooled), 0.0)
    floor = (floor[both, None] / n[both]).sum(axis=0)
    variance = np.maximum(variance, floor)
    errors = np.sqrt(variance)
    return ShareChange(
        float(before),
        float(after_share),
        float(errors[0]),
        float(errors[1]),
        float(np.sqrt(variance.sum())),
        *counts,
    )


def _variance(part: Array, when: Array, cluster: Array) -> Array:
    """Of the share in each period, shape (2,)."""
    found = np.zeros(2)
    for p in (0, 1):
        sums = pd.Series(part[when == p]).groupby(cluster[when == p]).sum()
        found[p] = len(sums) / max(len(sums) - 1, 1) * float((sums**2).sum())
    return found
