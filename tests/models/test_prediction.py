"""Error covariances: clusters, uncertain components, uncertain outcomes."""

import numpy as np
import pytest
from scipy.special import expit
from sidewall.models.components import ComponentAverage
from sidewall.models.prediction import PredictionError

from sidewall.models.pooled_logit import PooledLogit


def clustered(seed, share, players=12, rallies=120, size=4):
    """Rows in clusters; `share` of a row's luck is the cluster's own."""
    rng = np.random.default_rng(seed)
    n = players * rallies * size
    group = np.repeat(np.arange(players), rallies * size)
    cluster = np.repeat(np.arange(players * rallies), size)
    x = rng.normal(size=n).round(1)
    X = np.column_stack([np.ones(n), x])
    Z = np.ones((n, 1))
    eta = 0.2 + 0.5 * x + rng.normal(0, 0.3, players)[group]
    # one luck a cluster, or one a row, with the same marginal chances
    own, common = rng.random(n), np.repeat(rng.random(players * rallies), size)
    luck = np.where(np.repeat(rng.random(players * rallies) < share, size), common, own)
    return (luck < expit(eta)).astype(float), X, Z, group, cluster


def corrected(seed, share):
    y, X, Z, group, cluster = clustered(seed, share)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    error = PredictionError(fit, X, Z, y, group, None, cluster, np.ones(len(y)))
    ones = np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([[1.0], [0.0]])
    mean, V = ComponentAverage(fit, 300, 0.5, np.random.default_rng(0)).contrasts(*ones)
    total, ratio = error.covariance(V, *ones)
    return fit, mean, V, total, ratio


def test_independent_rows_need_no_correction():
    *_, ratio = corrected(0, 0.0)
    np.testing.assert_allclose(ratio, 1.0, atol=0.15)


def test_a_shared_result_widens_levels():
    _, _, V, total, ratio = corrected(1, 1.0)
    assert ratio[0] > 2.0  # four rows that share everything tell as much as one
    assert (np.diagonal(total, axis1=1, axis2=2)[:, 0] > V[:, 0, 0]).all()


def test_levels_are_covered_when_results_are_shared():
    """95% intervals of players' own intercepts, over 20 simulated ladders."""
    hits = []
    for seed in range(20):
        y, X, Z, group, cluster = clustered(100 + seed, 1.0)
        rng = np.random.default_rng(100 + seed)
        rng.normal(size=len(y))
        truth = 0.2 + rng.normal(0, 0.3, 12)
        fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
        error = PredictionError(fit, X, Z, y, group, None, cluster, np.ones(len(y)))
        one = np.array([[1.0, 0.0]]), np.array([[1.0]])
        mean, V = ComponentAverage(fit, 300, 0.5, rng).contrasts(*one)
        V = error.covariance(V, *one)[0]
        hits.append(np.abs(mean[:, 0] - truth) < 1.96 * np.sqrt(V[:, 0, 0]))
    assert 0.90 <= np.mean(hits) <= 0.99


def test_uncertain_outcomes_widen_the_interval():
    y, X, Z, group, cluster = clustered(2, 0.0)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    rng = np.random.default_rng(5)
    shifts = [np.full(len(y), shift) for shift in rng.normal(0, 0.05, 50)]
    data = (X, Z, y, group, None, cluster, np.ones(len(y)))
    plain, moved = (PredictionError(fit, *data, some) for some in ([], shifts))
    ask = np.array([[1.0, 0.0]]), np.array([[0.0]])
    V = ComponentAverage(fit, 300, 0.5, rng).contrasts(*ask)[1]
    extra = moved.covariance(V, *ask)[0] - plain.covariance(V, *ask)[0]
    # a common shift of the outcome by d moves the level by about d / (p (1 - p))
    p = y.mean()
    assert np.sqrt(extra[0, 0, 0]) == pytest.approx(0.05 / (p * (1 - p)), rel=0.35)


def test_averaging_over_components_widens_and_keeps_the_estimate():
    y, X, Z, group, _ = clustered(3, 0.0, players=6, rallies=30)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    ask = np.array([[1.0, 0.0]]), np.array([[1.0]])
    rng = np.random.default_rng(0)
    (at_mode, V_mode), (mean, V) = (
        ComponentAverage(fit, draws, 0.5, rng).contrasts(*ask) for draws in (1, 2000)
    )
    np.testing.assert_allclose(mean, at_mode, atol=0.08)
    assert V.mean() > V_mode.mean()


def test_one_draw_is_the_fit_itself():
    y, X, Z, group, _ = clustered(4, 0.0)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    average = ComponentAverage(fit, 1, 0.5, np.random.default_rng(0))
    fixed, random = average.effects(fit)
    np.testing.assert_allclose(fixed, fit.fixed_effects_, atol=0.01)
    np.testing.assert_allclose(random, fit.random_effects_, atol=0.01)


def test_importance_weights_follow_the_likelihood():
    """With many players the averaged standard deviation is close to the estimate."""
    y, X, Z, group, _ = clustered(6, 0.0, players=80, rallies=60)
    fit = PooledLogit(sd_shape=1.0).fit(y, X, Z, group)
    penalised = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    average = ComponentAverage(penalised, 2000, 10.0, np.random.default_rng(0))
    sd = float(average.weight_ @ average.sd_[:, 0])
    assert sd == pytest.approx(np.sqrt(fit.random_covariance_.iloc[0, 0]), rel=0.12)
    assert average.effective_draws_ > 200


def test_what_shrinkage_leaves_is_never_less_than_nothing():
    y, X, Z, group, cluster = clustered(3, 0.0)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    error = PredictionError(fit, X, Z, y, group, None, cluster, np.ones(len(y)))
    ask = np.array([[1.0, 0.0]]), np.array([[1.0]])
    V = ComponentAverage(fit, 300, 0.5, np.random.default_rng(0)).contrasts(*ask)[1]
    noise = error.covariance(np.zeros_like(V), *ask)[0]
    assert (noise > 0.0).all()
    assert (error.covariance(V, *ask)[0] >= noise).all()


def test_draws_of_the_components_move_to_where_the_weight_is():
    # six groups whose many columns hardly differ: the mode lies far from the posterior's middle
    rng = np.random.default_rng(11)
    group = np.repeat(np.arange(6), 150)
    X = np.column_stack([np.ones(900), rng.normal(size=(900, 5))])
    y = (rng.random(900) < expit(0.2 * X[:, 1])).astype(float)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, X, group)
    ask = np.eye(6)[:2], np.eye(6)[:2]
    found = [ComponentAverage(fit, 1000, 0.2, np.random.default_rng(k)) for k in range(6)]
    assert min(one.effective_draws_ for one in found) > 60
    errors = np.array([np.sqrt(one.contrasts(*ask)[1][:, 0, 0]) for one in found])
    # seeds agree on every group's error
    assert (errors.std(axis=0) / errors.mean(axis=0)).max() < 0.05


def test_draws_far_beyond_the_prior_do_no_harm():
    y, X, Z, group, _ = clustered(4, 0.0)
    fit = PooledLogit(sd_shape=2.0).fit(y, X, Z, group)
    average = ComponentAverage(fit, 50, 0.2, np.random.default_rng(0))
    far = average._log_target(np.array([[0.2], [1e150]]))
    assert np.isfinite(far[0])
    assert far[1] == -np.inf
