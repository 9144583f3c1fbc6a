from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from sidewall.errors import DataError
from sidewall.features.rates import clustered_rate, clustered_share, wilson_interval

counts = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.floats(0.5, 0.999)


@given(counts, levels)
def test_agrees_with_statsmodels(pair, level):
    k, n = pair
    low, high = wilson_interval(k, n, level)
    want = proportion_confint(k, n, alpha=1 - level, method="wilson")
    np.testing.assert_allclose([low, high], want, atol=1e-12)


@given(counts, levels)
def test_inside_the_unit_interval_and_around_the_share(pair, level):
    k, n = pair
    low, high = wilson_interval(k, n, level)
    assert 0.0 <= low <= k / n <= high <= 1.0
    assert low < high


@given(counts, levels)
def test_grows_with_successes_and_narrows_with_n(pair, level):
    k, n = pair
    low, high = wilson_interval(np.arange(n + 1), n, level)
    assert (np.diff(low) > 0).all()
    assert (np.diff(high) > 0).all()
    some, many = wilson_interval([k, 10 * k], [n, 10 * n], level)
    assert many[1] - some[1] < many[0] - some[0]


@given(counts)
def test_mirror_image(pair):
    k, n = pair
    low, high = wilson_interval([k, n - k], n)
    np.testing.assert_allclose(low, 1 - high[::-1], atol=1e-12)


def test_nothing_tried_is_nothing_known():
    low, high = wilson_interval([0, 3], [0, 6])
    assert np.isnan([low[0], high[0]]).all()
    assert not np.isnan([low[1], high[1]]).any()
    assert np.isnan(wilson_interval(np.nan, 5)).all()


def test_shapes_broadcast_and_fractions_pass():
    low, high = wilson_interval(np.array([[1.0], [2.5]]), np.array([5.0, 7.5, 10.0]))
    assert low.shape == high.shape == (2, 3)


@pytest.mark.parametrize(("k", "n"), [(5, 4), (-1, 4), (0, -2)])
def test_impossible_counts(k, n):
    with pytest.raises(DataError, match="successes"):
        wilson_interval([1, k], [3, n])


@pytest.mark.parametrize("level", [0.0, 1.0, 95])
def test_impossible_level(level):
    with pytest.raises(DataError, match="level"):
        wilson_interval(1, 2, level)


def one_group(success, cluster, level=0.95):
    success = np.asarray(success, dtype=float)
    return clustered_rate(
        success, np.asarray(cluster), np.zeros(len(success), dtype=np.int64), 1, level
    )


def test_effective_n_by_hand():
    # Rallies of 3, 2 and 1 shots, won, lost, lost: p = 1/2, e = 3/2, -1, -1/2.
    got = one_group([1, 1, 1, 0, 0, 0], [0, 0, 0, 1, 1, 2])
    variance = 3 / 2 * (1.5**2 + 1 + 0.5**2) / 36
    shrink = (stats.t.ppf(0.975, 5) / stats.t.ppf(0.975, 2)) ** 2
    plain = 0.25 / variance * shrink
    floor = max(1.0, 36 / (2 * 14))
    assert plain < floor  # three rallies say too little for the formula alone
    assert got.n_effective[0] == pytest.approx(floor)
    assert (got.n[0], got.clusters[0]) == (6, 3)
    low, high = wilson_interval(0.5 * floor, floor)
    assert (got.low[0], got.high[0]) == pytest.approx((float(low), float(high)))


def test_formula_with_many_rallies():
    rng = np.random.default_rng(3)
    m = rng.integers(1, 6, 40)
    won = rng.integers(0, 2, 40).astype(float)
    cluster = np.repeat(np.arange(40), m)
    y = won[cluster]
    p, n = y.mean(), len(y)
    variance = 40 / 39 * np.sum((m * (won - p)) ** 2) / n**2
    want = p * (1 - p) / variance * (stats.t.ppf(0.95, n - 1) / stats.t.ppf(0.95, 39)) ** 2
    assert one_group(y, cluster, level=0.9).n_effective[0] == pytest.approx(want)


def test_single_shots_are_nearly_as_good_as_independent():
    y = np.tile([1.0, 0.0, 0.0], 200)
    got = one_group(y, np.arange(600))
    assert 595 < got.n_effective[0] <= 600


def test_all_won_counts_rallies_not_shots():
    got = one_group(np.ones(50), np.repeat(np.arange(10), 5))
    shrink = (stats.t.ppf(0.975, 49) / stats.t.ppf(0.975, 9)) ** 2
    assert got.n_effective[0] == pytest.approx(10 * shrink)
    assert got.high[0] == 1.0
    assert got.low[0] < wilson_interval(10, 10)[0]


def test_opposite_results_within_rallies_never_count_more_than_the_shots():
    got = one_group(np.tile([1.0, 0.0], 30), np.repeat(np.arange(30), 2))
    assert got.n_effective[0] == 60


def test_one_rally_is_one_observation():
    assert one_group([1.0] * 7, [4] * 7).n_effective[0] == 1.0


def test_groups_apart_and_missing_left_out():
    got = clustered_rate(
        np.array([1.0, np.nan, 0.0, 1.0]), np.array([0, 0, 1, 1]), np.array([0, 0, 2, 2]), 4
    )
    assert got.n.tolist() == [1, 0, 2, 0]
    np.testing.assert_array_equal(got.rate, [1.0, np.nan, 0.5, np.nan])
    assert np.isnan(got.low[[1, 3]]).all()
    assert np.isnan(got.n_effective[[1, 3]]).all()


def test_share_equals_the_rate_of_being_in_the_group():
    rng = np.random.default_rng(5)
    cluster = np.sort(rng.integers(0, 60, 400))
    group = np.where(rng.random(400) < 0.5, cluster % 2, 2)
    owner = np.zeros(3, dtype=np.int64)
    got = clustered_share(group, owner, cluster)
    assert got.rate.sum() == pytest.approx(1.0)
    for k in range(3):
        want = one_group(group == k, cluster)
        for a, b in zip(got, want, strict=True):
            assert a[k] == pytest.approx(b[0])


def test_share_is_within_its_owner():
    group = np.array([0, 0, 1, 2, 2, 2])
    got = clustered_share(group, np.array([0, 0, 1]), np.array([0, 1, 1, 0, 1, 2]))
    np.testing.assert_allclose(got.rate, [2 / 3, 1 / 3, 1.0])
    assert got.n.tolist() == [3, 3, 3]


def coverage(rallies, correlation, p, *, logs=3000, seed=0):
    """Share of simulated logs whose 95% interval holds p; and Wilson's on the bare shots."""
    rng = np.random.default_rng(seed)
    m = 1 + rng.poisson(1.5, (logs, rallies))
    if correlation == 1.0:
        chance = (rng.random((logs, rallies)) < p).astype(float)
    else:
        spread = 1.0 / correlation - 1.0
        chance = rng.beta(p * spread, (1 - p) * spread, (logs, rallies))
    cluster = np.repeat(np.arange(logs * rallies), m.ravel())
    group = cluster // rallies
    y = (rng.random(len(cluster)) < chance.ravel()[cluster]).astype(float)
    got = clustered_rate(y, cluster, group, logs)
    low, high = wilson_interval(got.rate * got.n, got.n)
    return np.mean((got.low <= p) & (p <= got.high)), np.mean((low <= p) & (p <= high))


# Rally effects from a beta distribution; correlation 1 is a result shared by the whole rally,
# as a win is. Standard error of a coverage near 0.95 with 3,000 logs: 0.004.
@pytest.mark.parametrize(
    ("rallies", "correlation", "p"),
    [
        (12, 1.0, 0.5),
        (30, 1.0, 0.5),
        (30, 1.0, 0.35),
        (80, 1.0, 0.5),
        (30, 0.3, 0.4),
        (80, 0.1, 0.3),
    ],
)
def test_coverage_is_what_it_says(rallies, correlation, p):
    honest, naive = coverage(rallies, correlation, p)
    assert 0.935 <= honest <= 0.97
    if correlation == 1.0:
        assert naive < 0.8  # shots taken as independent: why the effective n is there
