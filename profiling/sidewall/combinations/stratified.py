r"""Compare two kinds of moments within strata, when moments of a rally share its result.

In stratum s let n1 moments be of the first kind and n0 of the second, n in all, with shares
of rallies won p1 and p0. The Mantel-Haenszel difference is::

    RD = sum w (p1 - p0) / sum w,    w = n1 n0 / n

(Greenland & Robins 1985, Biometrics 41:55-68). Their variance adds up, over strata, squared
residuals of independent moments. Here the moments of one rally share its result, so that the
residuals of a rally are added up before they are squared::

    u_i = k_i e_i sqrt(n / (n - 1)),   k_i = n0 / n or -n1 / n,   e_i = y_i - p_s - k_i RD
    V   = G / (G - 1) * sum over rallies (sum of u_i in the rally)^2 / (sum w)^2

with p_s the share won in the whole stratum. RD solves ``sum k_i e_i = 0`` and is the least
squares coefficient of the kind with a constant a stratum, V its cluster sandwich (Liang &
Zeger 1986, Biometrika 73:13-22). Taking the residuals around a common difference keeps V
right when strata hold few moments, as in Sato 1989 (Biometrics 45:1323-1324). The normal
quantile is replaced by Student's t with ``(sum v)^2 / sum v^2`` degrees of freedom, v being
the squared sum of k in a rally (in the spirit of Bell & McCaffrey 2002, Survey Methodology
28:169-181): few rallies of one kind know their variance badly.

The odds ratio and its standard error (Mantel & Haenszel 1959; Robins, Breslow & Greenland
1986, Biometrics 42:311-323) are the usual ones, the error widened by the square root of the
design effect of RD.

Too few: the criterion of Mantel & Fleiss 1980 (American Journal of Epidemiology
112:129-134), that the sum of expected counts be at least 5 away from the least and the most
it could be, divided by the design effect.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from sidewall.arguments import Bools, Floats, Ints

LEAST_EXPECTED: Final = 5.0


@dataclass(frozen=True)
class Moments:
    """Moments to compare, all of shape (n,): 1.0 or 0.0 for won, True for the first kind.

    A unit is a rally as one player lived it.
    """

    won: Floats
    kind: Bools
    stratum: Ints
    rally: Ints
    unit: Ints

    def __getitem__(self, rows: NDArray) -> Moments:
        return Moments(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Stratified:
    """A Mantel-Haenszel comparison.

    ``difference`` is ``rate_1 - rate_0`` in the weights of the strata; ``margin`` half the
    width of its interval; ``design_effect`` its variance over that of independent moments;
    ``pair_effect`` the variance with rallies kept together over that with units kept
    together; ``expected`` the Mantel-Fleiss number; ``n_1``, ``n_0``, ``rallies`` and
    ``strata`` count what could be compared.
    """

    rate_1: float
    rate_0: float
    difference: float
    standard_error: float
    margin: float
    odds_ratio: float
    odds_low: float
    odds_high: float
    design_effect: float
    pair_effect: float
    expected: float
    n_1: int
    n_0: int
    rallies: int
    strata: int

    @property
    def low(self) -> float:
        """Lower end of the interval of the difference."""
        return max(self.difference - self.margin, -1.0)

    @property
    def high(self) -> float:
        """Upper end of the interval of the difference."""
        return min(self.difference + self.margin, 1.0)

    @property
    def too_few(self) -> bool:
        """Whether the counts are too small to say anything."""
        return not self.expected >= LEAST_EXPECTED


_NOTHING: Final = Stratified(*(np.nan,) * 10, 0.0, 0, 0, 0, 0)


def _by(code: Ints, weights: Floats | None = None) -> Floats:
    return np.bincount(code, weights).astype(np.float64)


def tables_of(moments: Moments) -> tuple[Floats, Floats, Floats, Floats]:
    """Counts of each stratum: won and lost of the first kind, won and lost of the second."""
    kind, won = moments.kind.astype(np.float64), moments.won
    size = int(moments.stratum.max(initial=-1)) + 1

    def count(weights: Floats) -> Floats:
        return np.bincount(moments.stratum, weights, minlength=size).astype(np.float64)

    return (
        count(kind * won),
        count(kind * (1.0 - won)),
        count((1.0 - kind) * won),
        count((1.0 - kind) * (1.0 - won)),
    )


def comparable(moments: Moments) -> Moments:
    """Only the strata with moments of both kinds, numbered from 0."""
    a, b, c, d = tables_of(moments)
    both = (a + b > 0) & (c + d > 0)
    kept = moments[both[moments.stratum]] if len(moments.won) else moments
    stratum = np.unique(kept.stratum, return_inverse=True)[1].astype(np.int64)
    return Moments(kept.won, kept.kind, stratum, kept.rally, kept.unit)


def coefficients(moments: Moments) -> Floats:
    """Weight of each moment's result in the numerator of the difference."""
    a, b, c, d = tables_of(moments)
    share = (a + b) / (a + b + c + d)
    return moments.kind.astype(np.float64) - share[moments.stratum]


def mantel_haenszel(moments: Moments, level: float = 0.95) -> Stratified:
    """Compare the two kinds of moments; everything missing if no stratum has both."""
    used = comparable(moments)
    if not len(used.won):
        return _NOTHING
    a, b, c, d = tables_of(used)
    n1, n0 = a + b, c + d
    n = n1 + n0
    w = n1 * n0 / n
    rate_1, rate_0 = float(w @ (a / n1) / w.sum()), float(w @ (c / n0) / w.sum())
    difference = rate_1 - rate_0
    k = coefficients(used)
    residual = used.won - ((a + c) / n)[used.stratum] - k * difference
    u = k * residual * np.sqrt(n / (n - 1.0))[used.stratum]
    rally = np.unique(used.rally, return_inverse=True)[1]
    unit = np.unique(used.unit, return_inverse=True)[1]
    rallies = int(rally.max()) + 1
    square = float(np.sum(_by(rally, u) ** 2))
    few = rallies / max(rallies - 1, 1)
    standard_error = float(np.sqrt(few * square) / w.sum())
    v = _by(rally, k) ** 2
    freedom = max(float(v.sum() ** 2 / (v**2).sum()) if v.any() else 1.0, 1.0)
    quantile = float(stdtrit(freedom, 0.5 + level / 2.0))
    alone, by_unit = float(np.sum(u**2)), float(np.sum(_by(unit, u) ** 2))
    design = square / alone if alone > 0 else 1.0
    ratio, ratio_low, ratio_high = odds_ratio(a, b, c, d, design, level)
    return Stratified(
        rate_1=rate_1,
        rate_0=rate_0,
        difference=difference,
        standard_error=standard_error,
        margin=quantile * standard_error,
        odds_ratio=ratio,
        odds_low=ratio_low,
        odds_high=ratio_high,
        design_effect=design,
        pair_effect=square / by_unit if by_unit > 0 else 1.0,
        expected=_mantel_fleiss(a, c, n1, n0) / max(design, 1.0),
        n_1=int(n1.sum()),
        n_0=int(n0.sum()),
        rallies=rallies,
        strata=len(n),
    )


def _mantel_fleiss(a: Floats, c: Floats, n1: Floats, n0: Floats) -> float:
    m1 = a + c
    expected = float(np.sum(n1 * m1 / (n1 + n0)))
    least, most = float(np.sum(np.maximum(0.0, m1 - n0))), float(np.sum(np.minimum(n1, m1)))
    return min(expected - least, most - expected)


def odds_ratio(
    a: Floats, b: Floats, c: Floats, d: Floats, design_effect: float = 1.0, level: float = 0.95
) -> tuple[float, float, float]:
    """Mantel-Haenszel odds ratio of tables (a, b; c, d), each of shape (strata,), with limits.

    Won and lost of the first kind, then of the second. `design_effect` widens the standard error
    of the log by its square root, where above 1.
    """
    # own code, since statsmodels' table (a test compares) knows no widening and no empty sides
    n = a + b + c + d
    r, s = a * d / n, b * c / n
    R, S = float(r.sum()), float(s.sum())
    if R <= 0.0 or S <= 0.0:  # all won or all lost on one side: no finite limits
        return (np.nan if R == S else np.inf if R > 0.0 else 0.0), np.nan, np.nan
    p, q = (a + d) / n, (b + c) / n
    variance = float(
        np.sum(p * r) / (2.0 * R**2)
        + np.sum(p * s + q * r) / (2.0 * R * S)
        + np.sum(q * s) / (2.0 * S**2)
    )
    reach = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(variance * max(design_effect, 1.0)))
    return R / S, R / S * float(np.exp(-reach)), R / S * float(np.exp(reach))


def permutation_p(
    moments: Moments,
    permutations: int,
    rng: np.random.Generator,
    pair_effect: float = 1.0,
) -> float:
    """Two-sided p-value of the difference by shuffling the results of whole rallies.

    Results are shuffled among units whose first moment was in the same stratum, so each
    rally keeps the kinds of all its moments together. With one moment a unit, this is the
    exact test that shuffles the labels of rallies within strata. Results of the two players
    of a rally are opposite; where both are compared, `pair_effect` allows for it.
    """
    used = comparable(moments)
    if not len(used.won) or permutations < 1:
        return float("nan")
    _, first, unit = np.unique(used.unit, return_index=True, return_inverse=True)
    k, won, block = _by(unit, coefficients(used)), used.won[first], used.stratum[first]
    order = np.argsort(block, kind="stable")
    k, won = k[order], won[order]
    block = np.unique(block[order], return_inverse=True)[1]
    # shuffled results have this mean; it is 0 with one moment a unit
    centre = float(k @ (_by(block, won) / _by(block))[block])
    again = [k @ won[np.argsort(block + rng.random(len(block)))] for _ in range(permutations)]
    moved = np.abs(np.array(again) - centre) * np.sqrt(pair_effect)
    seen = abs(float(k @ won))
    beyond = int((moved >= seen * (1.0 - 1e-9)).sum())
    return (1 + beyond) / (1 + permutations)
