from __future__ import annotations

import math
from fractions import Fraction
from itertools import permutations as orders
from itertools import product

import numpy as np
import pytest
from scipy.stats import hypergeom, norm
from scipy.stats import t as student

from sidewall.combinations.stratified import (
    Moments,
    comparable,
    mantel_haenszel,
    permutation_p,
    tables_of,
)


def moments_of(rng, n=400, strata=6, rallies=None, gain=0.1):
    stratum = rng.integers(0, strata, n)
    kind = rng.random(n) < 0.2 + 0.1 * stratum / strata
    if rallies is None:
        rally = np.arange(n)
        won = (rng.random(n) < 0.3 + 0.05 * stratum + gain * kind).astype(float)
    else:
        rally = np.sort(rng.integers(0, rallies, n))
        won = (rng.random(rallies) < 0.5).astype(float)[rally]
    return Moments(won, kind, stratum, rally, rally)


def test_difference_is_least_squares_with_a_constant_a_stratum():
    m = moments_of(np.random.default_rng(1))
    X = np.column_stack([m.kind, np.eye(6)[m.stratum]]).astype(float)
    beta, *_ = np.linalg.lstsq(X, m.won, rcond=None)
    assert mantel_haenszel(m).difference == pytest.approx(beta[0])


def test_standard_error_of_independent_moments_is_that_of_greenland_and_robins():
    m = moments_of(np.random.default_rng(2), n=40_000)
    a, b, c, d = tables_of(m)
    n1, n0 = a + b, c + d
    n = n1 + n0
    square = np.sum((a * b * n0**3 + c * d * n1**3) / (n1 * n0 * n**2))
    wanted = np.sqrt(square) / np.sum(n1 * n0 / n)
    assert mantel_haenszel(m).standard_error == pytest.approx(wanted, rel=0.01)


def test_small_strata_do_not_make_the_interval_too_short():
    """Pairs: the residuals within a stratum alone would say half of the variance."""
    rng = np.random.default_rng(3)
    found, errors = [], []
    for _ in range(300):
        stratum = np.repeat(np.arange(100), 2)
        won = (rng.random(200) < 0.5).astype(float)
        m = Moments(won, np.tile([True, False], 100), stratum, np.arange(200), np.arange(200))
        result = mantel_haenszel(m)
        found.append(result.difference)
        errors.append(result.standard_error**2)
    assert np.mean(errors) == pytest.approx(np.var(found), rel=0.15)


def test_moments_of_a_rally_share_its_result():
    rng = np.random.default_rng(4)
    found, together, apart = [], [], []
    for _ in range(200):
        rally = np.repeat(np.arange(80), 6)
        kind = np.repeat(rng.random(80) < 0.4, 6)  # the same kind all rally long
        won = np.repeat(rng.random(80) < 0.5, 6).astype(float)
        stratum = rng.integers(0, 3, 480)
        m = Moments(won, kind, stratum, rally, rally)
        found.append(mantel_haenszel(m).difference)
        together.append(mantel_haenszel(m).standard_error ** 2)
        alone = Moments(won, kind, stratum, np.arange(480), np.arange(480))
        apart.append(mantel_haenszel(alone).standard_error ** 2)
    assert np.mean(together) == pytest.approx(np.var(found), rel=0.25)
    assert np.mean(apart) < 0.3 * np.var(found)


def test_permutations_match_every_order():
    """One stratum, few rallies: the shuffles draw from all ways to deal the results."""
    kind = np.array([True, True, True, False, False, False, False])
    won = np.array([1.0, 1, 1, 1, 0, 0, 0])
    m = Moments(won, kind, np.zeros(7, int), np.arange(7), np.arange(7))
    seen = won[kind].mean() - won[~kind].mean()
    every = [np.mean(np.array(o)[kind]) - np.mean(np.array(o)[~kind]) for o in orders(won)]
    exact = np.mean(np.abs(every) >= seen - 1e-12)
    p = permutation_p(m, 20_000, np.random.default_rng(0))
    assert p == pytest.approx(exact, abs=0.005)
    # the same from the hypergeometric number of wins among the first kind
    wins = np.arange(4)
    difference = wins / 3 - (4 - wins) / 4
    chance = hypergeom.pmf(wins, 7, 4, 3)
    assert exact == pytest.approx(chance[np.abs(difference) >= seen - 1e-12].sum())


def test_whole_rallies_are_shuffled():
    """Ten moments of two rallies are two results, and two results say nothing."""
    rally = np.repeat([0, 1], 5)
    m = Moments(
        np.repeat([1.0, 0.0], 5), np.repeat([True, False], 5), np.zeros(10, int), rally, rally
    )
    assert permutation_p(m, 999, np.random.default_rng(0)) > 0.9


def test_permutation_p_is_uniform_when_nothing_is_there():
    rng = np.random.default_rng(5)
    p = [permutation_p(moments_of(rng, 300, 3, rallies=100), 99, rng) for _ in range(300)]
    assert np.mean(np.array(p) <= 0.05) == pytest.approx(0.05, abs=0.035)
    assert np.mean(np.array(p) <= 0.5) == pytest.approx(0.5, abs=0.09)


def test_strata_of_one_kind_are_left_out():
    m = moments_of(np.random.default_rng(6))
    more = Moments(
        np.append(m.won, [1.0, 1.0]), np.append(m.kind, [True, True]), np.append(m.stratum, [6, 6]),
        np.append(m.rally, [900, 901]), np.append(m.unit, [900, 901]),
    )  # fmt: skip
    assert len(comparable(more).won) == len(m.won)
    assert mantel_haenszel(more) == mantel_haenszel(m)


def test_too_few():
    rng = np.random.default_rng(7)
    assert not mantel_haenszel(moments_of(rng)).too_few
    assert mantel_haenszel(moments_of(rng, n=30)).too_few
    nothing = mantel_haenszel(moments_of(rng)[np.zeros(400, bool)])
    assert nothing.too_few
    assert np.isnan(nothing.difference)
    assert (nothing.n_1, nothing.n_0, nothing.rallies, nothing.strata) == (0, 0, 0, 0)
    always = Moments(
        np.ones(200), np.arange(200) % 2 == 0, np.zeros(200, int), np.arange(200), np.arange(200)
    )
    assert mantel_haenszel(always).too_few  # whoever always wins tells nothing


@pytest.mark.parametrize("level", [0.5, 0.95])
def test_with_even_halves_of_one_stratum_the_margin_is_students(level):
    """Every moment alone and of the same weight: as many degrees of freedom as moments."""
    m = moments_of(np.random.default_rng(9), n=12, strata=1)
    m = Moments(m.won, np.arange(12) % 2 == 0, m.stratum, m.rally, m.unit)
    found = mantel_haenszel(m, level)
    t = student.ppf(0.5 + level / 2, 12)
    assert found.margin == pytest.approx(t * found.standard_error)


def by_loops(m, level):
    """Every number of the comparison by the formulas at the head of the module, in loops."""
    rows = list(zip(*(getattr(m, name).tolist() for name in m.__dataclass_fields__), strict=True))
    whole = {}
    for row in rows:
        whole.setdefault(row[2], []).append(row)
    strata = {s: rs for s, rs in whole.items() if {kind for _, kind, *_ in rs} == {True, False}}
    n1, n0, won_1, won_0 = ({} for _ in range(4))
    for s, rs in strata.items():
        n1[s], n0[s] = sum(r[1] for r in rs), sum(not r[1] for r in rs)
        won_1[s], won_0[s] = sum(r[0] for r in rs if r[1]), sum(r[0] for r in rs if not r[1])
    n = {s: n1[s] + n0[s] for s in strata}
    weight = {s: n1[s] * n0[s] / n[s] for s in strata}
    total = sum(weight.values())
    rate_1 = sum(weight[s] * won_1[s] / n1[s] for s in strata) / total
    rate_0 = sum(weight[s] * won_0[s] / n0[s] for s in strata) / total
    rally, unit, alone, spread = {}, {}, 0.0, {}
    for s, rs in strata.items():
        for won, kind, _, r, u in rs:
            k = n0[s] / n[s] if kind else -n1[s] / n[s]
            e = won - (won_1[s] + won_0[s]) / n[s] - k * (rate_1 - rate_0)
            pull = k * e * math.sqrt(n[s] / (n[s] - 1))
            rally[r] = rally.get(r, 0.0) + pull
            unit[u] = unit.get(u, 0.0) + pull
            spread[r] = spread.get(r, 0.0) + k
            alone += pull**2
    G = len(rally)
    square, by_unit = (sum(v**2 for v in which.values()) for which in (rally, unit))
    error = math.sqrt((G / (G - 1) if G > 1 else 1.0) * square) / total
    v = [k**2 for k in spread.values()]
    freedom = max(sum(v) ** 2 / sum(x**2 for x in v), 1.0) if any(v) else 1.0
    margin = student.ppf(0.5 + level / 2, freedom) * error
    design = square / alone if alone else 1.0
    # Mantel and Fleiss: the sum of expected counts and the least and most it could be
    m1 = {s: won_1[s] + won_0[s] for s in strata}
    expected = sum(n1[s] * m1[s] / n[s] for s in strata)
    least = sum(max(0, m1[s] - n0[s]) for s in strata)
    most = sum(min(n1[s], m1[s]) for s in strata)
    # Robins, Breslow and Greenland
    R = {s: won_1[s] * (n0[s] - won_0[s]) / n[s] for s in strata}
    S = {s: (n1[s] - won_1[s]) * won_0[s] / n[s] for s in strata}
    P = {s: (won_1[s] + n0[s] - won_0[s]) / n[s] for s in strata}
    r, q = sum(R.values()), sum(S.values())
    odds = (np.nan if r == q else np.inf if r else 0.0, np.nan, np.nan)
    if r and q:
        variance = sum(
            P[s] * R[s] / (2 * r**2)
            + (P[s] * S[s] + (1 - P[s]) * R[s]) / (2 * r * q)
            + (1 - P[s]) * S[s] / (2 * q**2)
            for s in strata
        )
        reach = math.exp(norm.ppf(0.5 + level / 2) * math.sqrt(variance * max(design, 1.0)))
        odds = (r / q, r / q / reach, r / q * reach)
    difference = rate_1 - rate_0
    return {
        "rate_1": rate_1, "rate_0": rate_0, "difference": difference, "standard_error": error,
        "margin": margin, "odds_ratio": odds[0], "odds_low": odds[1], "odds_high": odds[2],
        "design_effect": design, "pair_effect": square / by_unit if by_unit else 1.0,
        "expected": min(expected - least, most - expected) / max(design, 1.0),
        "n_1": sum(n1.values()), "n_0": sum(n0.values()), "rallies": G, "strata": len(strata),
        "low": max(difference - margin, -1.0), "high": min(difference + margin, 1.0),
    }  # fmt: skip


def few_moments(seed):
    """A handful of rallies as both players lived them, some strata of one kind, numbers apart."""
    rng = np.random.default_rng(seed)
    n, rallies = int(rng.integers(8, 40)), int(rng.integers(1, 12))
    rally = np.sort(rng.integers(0, rallies, n)) * 3 + 5
    side = rng.integers(0, 2, n)
    won = (rng.random(3 * rallies + 9) < 0.5)[rally] ^ (side == 1)
    stratum = rng.integers(0, 1 + seed % 4, n) * 2 + 1
    kind = rng.random(n) < rng.choice([0.2, 0.5, 0.8])
    return Moments(won.astype(float), kind, stratum, rally, 7 * rally + side)


def of_one_stratum(won, kind, rally):
    return Moments(np.array(won, float), np.array(kind, bool), np.zeros(len(won), int),
                   np.array(rally), np.array(rally))  # fmt: skip


@pytest.mark.parametrize(
    "moments",
    [
        *(few_moments(seed) for seed in range(60, 80)),
        # one rally; all as the kind says, no residuals; as often in every rally; all won
        of_one_stratum([1, 1, 1], [1, 0, 0], [4, 4, 4]),
        of_one_stratum([1, 1, 0, 0], [1, 1, 0, 0], [0, 1, 2, 3]),
        of_one_stratum([0, 0, 1, 1], [1, 1, 0, 0], [0, 1, 2, 3]),
        of_one_stratum([1, 1, 0, 0, 1, 1], [1, 0, 1, 0, 1, 0], [0, 0, 1, 1, 2, 2]),
        of_one_stratum([1, 1, 1, 1], [1, 1, 0, 0], [0, 1, 2, 3]),
        of_one_stratum([1, 0, 1, 1], [1, 1, 0, 0], [0, 1, 2, 3]),
    ],
)
@pytest.mark.filterwarnings("error")
def test_every_number_by_loops(moments):
    both = set(moments.stratum[moments.kind]) & set(moments.stratum[~moments.kind])
    if not both:
        assert mantel_haenszel(moments).strata == 0
        return
    for level in (0.8, 0.95):
        found = mantel_haenszel(moments, level)
        for name, wanted in by_loops(moments, level).items():
            told = getattr(found, name)
            assert told == pytest.approx(wanted, rel=1e-9, abs=1e-12, nan_ok=True), name
        assert found.too_few == (not found.expected >= 5.0)
    assert mantel_haenszel(moments) == mantel_haenszel(moments, 0.95)


def test_five_expected_are_enough():
    """Ten won of twenty, half of each kind: 5 expected, from none to ten could be."""
    won, kind = [1, 0] * 10, [1, 1, 0, 0] * 5
    assert mantel_haenszel(of_one_stratum(won, kind, range(20))).expected == 5.0
    assert not mantel_haenszel(of_one_stratum(won, kind, range(20))).too_few
    assert mantel_haenszel(of_one_stratum(won[2:], kind[2:], range(18))).too_few


class EveryOrder:
    """In place of a generator: one order of the units after the other, within strata."""

    def __init__(self, sizes):
        ways = [[np.argsort(o) / size for o in orders(range(size))] for size in sizes]
        self.left = [np.concatenate(way) for way in product(*ways)]

    def random(self, n):
        keys = self.left.pop()
        assert len(keys) == n
        return keys


@pytest.mark.parametrize("seed", range(90, 98))
def test_the_p_value_of_all_orders_is_exact(seed):
    """Units of several moments and strata: results are dealt anew within the first stratum."""
    rng = np.random.default_rng(seed)
    won, kind, stratum, unit = [], [], [], []
    for number in range(7):
        result, home = rng.integers(0, 2), number % 2
        for k in range(rng.integers(1, 4)):
            won.append(float(result))
            kind.append(bool(rng.random() < 0.5))
            stratum.append(home if k == 0 else int(rng.integers(0, 2)))
            unit.append(10 + 3 * number)
    kind[:2] = [True, False]
    m = Moments(*(np.array(x) for x in (won, kind, stratum, unit, unit)))
    both = {s for s in (0, 1) if len({k for k, t in zip(kind, stratum, strict=True) if t == s}) > 1}
    used = [row for row in zip(won, kind, stratum, unit, strict=True) if row[2] in both]
    size = {s: sum(row[2] == s for row in used) for s in both}
    first = {s: sum(row[1] for row in used if row[2] == s) for s in both}
    pull, result, home = {}, {}, {}
    for won_, kind_, s, u in used:
        pull[u] = pull.get(u, 0) + kind_ - Fraction(first[s], size[s])
        result.setdefault(u, int(won_))
        home.setdefault(u, s)
    groups = [[u for u in sorted(home) if home[u] == s] for s in sorted(set(home.values()))]
    dealt = [
        sum(pull[u] * w for group, way in zip(groups, ways, strict=True)
            for u, w in zip(group, way, strict=True))
        for ways in product(*([[result[u] for u in order] for order in orders(group)]
                              for group in groups))
    ]  # fmt: skip
    seen = abs(sum(pull[u] * result[u] for u in home))
    centre = sum(dealt, Fraction()) / len(dealt)
    for effect in (1.0, 4.0):
        beyond = sum(abs(d - centre) * Fraction(effect**0.5) >= seen for d in dealt)
        found = permutation_p(m, len(dealt), EveryOrder([len(g) for g in groups]), effect)
        assert found == (1 + beyond) / (1 + len(dealt))
    assert np.isnan(permutation_p(m, 0, rng))
    assert np.isnan(permutation_p(m[np.zeros(len(m.won), bool)], 9, rng))
    assert permutation_p(m, 1, EveryOrder([len(g) for g in groups])) in (0.5, 1.0)
