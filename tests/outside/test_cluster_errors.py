"""One player without pooling: errors by rally against those of another library.

The change between two periods is the one answer that is estimated from a player's own shots
without pooling, by logistic regression around the fitted curves, rallies as the independent
units (Liang & Zeger 1986, Biometrika 73:13-22). The reference is statsmodels,
``Logit(...).fit(cov_type="cluster")``. The posterior draws widen all directions by one factor
instead, the mean ratio of these variances to the plain ones; tests/models/test_draws.py holds
that factor against the same library.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from sidewall.progress import measures as own_change

ROWS, SHOTS = 4000, 4


@pytest.fixture(scope="module")
def player():
    """Shots of one player, four a rally, which share half of their luck, and a gap each."""
    rng = np.random.default_rng(7)
    rally = np.repeat(np.arange(ROWS // SHOTS), SHOTS)
    h = rng.normal(size=ROWS) + rng.normal(size=ROWS // SHOTS)[rally]
    X = np.column_stack([np.ones(ROWS), h])
    base = expit(0.2 * np.sin(np.arange(ROWS)))
    shared = rng.random(ROWS // SHOTS)[rally]
    luck = np.where(rng.random(ROWS) < 0.5, shared, rng.random(ROWS))
    y = (luck < expit(logit(base) + X @ [0.2, 0.4])).astype(float)
    return y, base, X, rally


def test_estimates_and_errors_are_those_of_a_clustered_logistic_regression(player, monkeypatch):
    y, base, X, rally = player
    monkeypatch.setattr(own_change, "_WIDEST_SD", 1e6)  # no prior at all
    ours = own_change._fit(y, base, X, rally, 1.0, np.zeros((ROWS, 0)), np.zeros(ROWS))
    kinds = {"groups": rally, "use_correction": False}
    theirs = sm.Logit(y, X, offset=logit(base)).fit(disp=0, cov_type="cluster", cov_kwds=kinds)
    np.testing.assert_allclose(ours.deviation, theirs.params, atol=1e-6)
    rallies = ROWS // SHOTS
    few = rallies / (rallies - 2)  # our factor for few rallies
    np.testing.assert_allclose(ours.covariance, few * theirs.cov_params(), rtol=1e-5)
    plain = sm.Logit(y, X, offset=logit(base)).fit(disp=0)
    assert (np.diag(ours.covariance) > 1.2 * np.diag(plain.cov_params())).all()


def test_the_weak_prior_moves_less_than_a_tenth_of_an_error(player):
    y, base, X, rally = player
    ours = own_change._fit(y, base, X, rally, 1.0, np.zeros((ROWS, 0)), np.zeros(ROWS))
    theirs = sm.Logit(y, X, offset=logit(base)).fit(disp=0)
    assert (np.abs(ours.deviation - theirs.params) < 0.1 * theirs.bse).all()
