from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from sidewall.errors import DataError
from sidewall.features.rates import wilson_interval

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
