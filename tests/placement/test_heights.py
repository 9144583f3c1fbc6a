from collections import Counter

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from sidewall.errors import DataError
from sidewall.placement import CensoredNormal
from sidewall.placement.heights import _likelihood, _start, wall_heights


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


def minus_likelihood(theta, X, y, limit):
    """Normal density of what was seen, normal chance of what lay below its limit."""
    mean, sd = X @ theta[:-1], np.exp(theta[-1])
    seen = ~np.isnan(y)
    below = norm.logcdf(limit[~seen], mean[~seen], sd).sum()
    return -(norm.logpdf(y[seen], mean[seen], sd).sum() + below)


def derivatives(function, at):
    """Gradient and Hessian by central differences."""
    step, n = 1e-4, len(at)
    unit = np.eye(n) * step
    slope = [(function(at + e) - function(at - e)) / (2 * step) for e in unit]
    bend = [[(function(at + e + d) - function(at + e - d) - function(at - e + d)
              + function(at - e - d)) / (4 * step**2) for d in unit] for e in unit]  # fmt: skip
    return np.array(slope), np.array(bend)


@pytest.mark.parametrize("seed", range(5))
def test_the_largest_likelihood_and_its_curvature_by_differences(seed):
    """A limit a row, with columns and without, rows that share a rally."""
    rng = np.random.default_rng([seed, 7])
    n = 60
    X = np.column_stack([np.ones(n), rng.normal(size=n)])[:, : 1 + seed % 2]
    z = 0.6 + rng.normal(0.0, 0.2, n) + 0.1 * X[:, -1] * (seed % 2)
    limit = rng.choice([0.43, 0.48, 0.55], n)
    y = np.where(z < limit, np.nan, z)
    rally = rng.integers(0, 20, n)
    columns = pd.DataFrame(X, columns=["one", "two"][: X.shape[1]])
    design = columns if seed % 2 else None if seed else X[:, 0]
    fit = CensoredNormal().fit(y, limit, design, clusters=rally)
    best = np.append(fit.coefficients_, np.log(fit.sd_))
    slope, bend = derivatives(lambda at: minus_likelihood(at, X, y, limit), best)
    np.testing.assert_allclose(slope, 0.0, atol=1e-4)
    assert fit.loglik_ == pytest.approx(-minus_likelihood(best, X, y, limit))
    covariance = np.linalg.inv(bend)
    # design effect of each parameter: rows' pulls on it summed by rally against one by one
    pulls = np.array([
        -covariance @ derivatives(
            lambda at, k=k: minus_likelihood(at, X[[k]], y[[k]], limit[[k]]), best
        )[0]
        for k in range(n)
    ])  # fmt: skip
    together = pd.DataFrame(pulls).groupby(rally).sum().to_numpy()
    wider = np.maximum((together**2).sum(axis=0) / (pulls**2).sum(axis=0), 1.0)
    wanted = covariance * np.sqrt(np.outer(wider, wider))
    np.testing.assert_allclose(fit.covariance_, wanted, rtol=1e-3, atol=1e-6)
    names = list(columns) if seed % 2 else ["mean"] if seed else ["x0"]
    assert list(fit.coefficients_.index) == names
    assert list(fit.covariance_.columns) == list(fit.covariance_.index) == [*names, "log sd"]


def test_two_values_are_enough_for_a_mean_and_a_spread():
    fit = CensoredNormal().fit([0.7, 0.8], 0.1)
    assert fit.coefficients_["mean"] == pytest.approx(0.75)
    with pytest.raises(DataError, match="1 values were seen for 1 coefficients"):
        CensoredNormal().fit([0.7, np.nan], 0.5)


@pytest.mark.parametrize("pressure", ["none", "balance", "gap"])
@pytest.mark.parametrize("own_tins", [False, True])
def test_which_heights_are_used_by_loops(hard_placed, pressure, own_tins):
    """Each shot counts under its first reason; heights on the edge are above the tin."""
    shots = hard_placed(61, matches=4, rallies=30)
    if own_tins:
        tins = np.random.default_rng(2).choice([0.43, 0.6, np.nan], len(shots))
        shots = shots.assign(tin_height_m=tins)
    used, left_out = wall_heights(shots, 0.48, pressure, 0.3)
    rows, reasons = [], Counter()
    for row, shot in enumerate(shots.to_dict("records")):
        tin = shot.get("tin_height_m", np.nan)
        tin = 0.48 if np.isnan(tin) else tin
        in_tin, z = shot["ending"] == "tin", shot["wall_z_m"]
        word = "any"
        if pressure == "gap":
            word = "tight" if shot["gap_m"] < 0.3 else "loose"
        elif pressure == "balance":
            word = "set" if shot["balance"] == "set" else "pressed"
        if shot["stroke"] == "serve":
            why = "serve"
        elif shot["ending"] == "down":
            why = "down"
        elif np.isnan(z) and not in_tin:
            why = "height not charted"
        elif not in_tin and z < tin:
            why = "below the tin, yet not ended there: check wall_z and tin_height"
        elif pressure == "balance" and pd.isna(shot["balance"]):
            why = "balance not charted"
        elif pressure == "gap" and np.isnan(shot["gap_m"]):
            why = "gap not charted"
        else:
            height = np.nan if in_tin else z
            rows.append((row, tin, in_tin, height, word))
            continue
        reasons[why] += 1
    names = ["tin_m", "in_tin", "height_m", "pressure"]
    wanted = pd.DataFrame(rows, columns=["row", *names]).set_index("row")
    pd.testing.assert_frame_equal(used[names], wanted, check_names=False, check_dtype=False)
    assert left_out.to_dict() == dict(reasons)
    usual = wall_heights(shots)[0]
    pd.testing.assert_frame_equal(usual, wall_heights(shots, 0.48, "none", 0.3)[0])


def test_words_of_the_pressure_need_their_column(hard_placed):
    shots = hard_placed(62, matches=2)
    with pytest.raises(DataError, match="no column balance"):
        wall_heights(shots.drop(columns="balance"), pressure="balance")
    with pytest.raises(DataError, match="no column wall_z_m"):
        wall_heights(shots.drop(columns="wall_z_m"))
    for height in (0.2, 1.0):
        with pytest.raises(DataError, match="give metres"):
            wall_heights(shots, height)
