import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.errors import DataError
from sidewall.placement import CensoredNormal
from sidewall.placement.heights import _likelihood, _start


def test_without_censoring_it_is_mean_and_spread():
    y = np.random.default_rng(1).normal(0.8, 0.2, 60)
    fit = CensoredNormal().fit(y, 0.0)
    assert fit.coefficients_["mean"] == pytest.approx(y.mean())
    assert fit.sd_ == pytest.approx(y.std())
    error = np.sqrt(np.diag(fit.covariance_))  # of the mean, and of the spread's logarithm
    assert error == pytest.approx([y.std() / np.sqrt(60), 1 / np.sqrt(120)])


def test_leaving_the_tin_out_misleads_and_censoring_does_not():
    rng = np.random.default_rng(2)
    z = rng.normal(0.6, 0.2, 20_000)
    seen = z[z >= 0.48]
    fit = CensoredNormal().fit(np.where(z < 0.48, np.nan, z), 0.48)
    assert fit.coefficients_["mean"] == pytest.approx(0.6, abs=0.01)
    assert fit.sd_ == pytest.approx(0.2, abs=0.01)
    assert seen.mean() > 0.68
    assert seen.std() < 0.16


def test_values_that_a_cluster_shares_count_once():
    """Each value three times: the errors are those of the values once, the estimates too.

    Values that share nothing widen nothing.
    """
    z = np.random.default_rng(3).normal(0.6, 0.2, 80)
    y = np.where(z < 0.48, np.nan, z)
    once = CensoredNormal().fit(y, 0.48, clusters=np.arange(80))
    thrice = CensoredNormal().fit(np.tile(y, 3), 0.48, clusters=np.tile(np.arange(80), 3))
    np.testing.assert_allclose(thrice.coefficients_, once.coefficients_, rtol=1e-6)
    np.testing.assert_allclose(thrice.covariance_, once.covariance_, rtol=1e-5)
    np.testing.assert_allclose(once.covariance_, CensoredNormal().fit(y, 0.48).covariance_)


@settings(max_examples=40, deadline=None)
@given(
    shift=st.floats(-5, 5),
    scale=st.floats(0.01, 100),
    share=st.floats(0.02, 0.8),
    seed=st.integers(0, 1000),
)
def test_units_and_zero_do_not_matter(shift, scale, share, seed):
    z = np.random.default_rng(seed).normal(0, 1, 50)
    limit = np.quantile(z, share)
    y = np.where(z < limit, np.nan, z)
    one = CensoredNormal().fit(y, limit)
    two = CensoredNormal().fit(shift + scale * y, shift + scale * limit)
    assert two.sd_ == pytest.approx(scale * one.sd_, rel=1e-5)
    mean = shift + scale * one.coefficients_["mean"]
    assert two.coefficients_["mean"] == pytest.approx(mean, rel=1e-5, abs=1e-5 * scale)


@pytest.mark.parametrize(
    ("y", "limit", "X", "words"),
    [
        ([np.nan] * 5, 0.48, None, "0 values were seen"),
        ([0.7, 0.7, 0.7], 0.48, None, "all values are the same"),
        ([0.7, 0.8, np.nan], np.nan, None, "has no limit"),
        ([0.7, 0.8, 0.9], 0.48, [[1.0], [np.nan], [1.0]], "missing values"),
        ([0.7, 0.8, 0.9, 0.6], 0.48, np.ones((4, 2)), "depend on one another"),
        ([0.7, 0.8, 0.9], 0.48, np.ones((2, 1)), "as many of each"),
    ],
)
def test_what_cannot_be_estimated_is_said(y, limit, X, words):
    with pytest.raises(DataError, match=words):
        CensoredNormal().fit(y, limit, X)


def test_where_all_is_seen_the_search_begins_at_the_answer():
    """Least squares: no slope of the likelihood is left there but that of rounding."""
    rng = np.random.default_rng(5)
    X = np.column_stack([np.ones(50), rng.normal(size=50)])
    y = X @ [0.7, 0.1] + rng.normal(0.0, 0.2, 50)
    seen = np.zeros(50, dtype=bool)
    theta = _start(y, np.zeros(50), X, seen)
    _, slope, bend = _likelihood(theta, X, y, seen)
    assert np.abs(np.linalg.solve(bend, slope)).max() < 1e-9 * np.abs(theta).max()
