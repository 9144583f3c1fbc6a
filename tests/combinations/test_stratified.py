from __future__ import annotations

from itertools import permutations as orders

import numpy as np
import pytest
from scipy.stats import hypergeom
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
