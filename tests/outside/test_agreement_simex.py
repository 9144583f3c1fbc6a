"""SIMEX against the closed form for a straight line, and reflection against its theory."""

import numpy as np
import pytest
from scipy.stats import ks_2samp

from sidewall.agreement import simex

SD_X, SD_ERROR, SLOPE = 1.0, 0.5, 2.0


@pytest.fixture(scope="module")
def measured():
    rng = np.random.default_rng(5)
    x = rng.normal(0, SD_X, 20_000)
    y = SLOPE * x + rng.normal(0, 1, len(x))
    return x + rng.normal(0, SD_ERROR, len(x)), y


@pytest.fixture(scope="module")
def path(measured):
    w, y = measured

    def line(z):
        X = np.column_stack([np.ones_like(z), z])
        inverse = np.linalg.inv(X.T @ X)
        b = inverse @ X.T @ y
        return b, inverse * np.sum((y - X @ b) ** 2) / (len(z) - 2)

    return simex(line, w, SD_ERROR, n=50, seed=1)


def test_the_path_is_the_closed_form(path, measured):
    """Carroll et al. 2006, Measurement Error in Nonlinear Models, 5.3: the slope at lambda is
    Sxy / (Sxx + lambda sd^2), the attenuation of a straight line.
    """
    w, y = measured
    exact = np.cov(w, y)[0, 1] / (w.var(ddof=1) + path.lambdas * SD_ERROR**2)
    spread = path.estimates[..., 1].std(axis=1) / np.sqrt(50)
    assert (np.abs(path.mean()[:, 1] - exact) < 4 * spread + 1e-4).all()


@pytest.mark.parametrize("degree", [1, 2])
def test_extrapolation_is_the_fitted_polynomial_of_the_closed_form(path, measured, degree):
    w, y = measured
    exact = np.cov(w, y)[0, 1] / (w.var(ddof=1) + path.lambdas * SD_ERROR**2)
    wanted = np.polyval(np.polyfit(path.lambdas, exact, degree), -1.0)
    estimate, covariance = path.at_no_error(degree)
    assert estimate[1] == pytest.approx(wanted, abs=0.02)
    assert covariance[1, 1] > path.covariances[0][1, 1]


def test_the_slope_moves_back_toward_the_truth(path):
    naive = path.mean()[0, 1]
    linear, quadratic = (path.at_no_error(degree)[0][1] for degree in (1, 2))
    assert naive == pytest.approx(SLOPE / (1 + SD_ERROR**2), abs=0.05)
    assert naive < linear < quadratic < SLOPE + 0.05
    assert abs(quadratic - SLOPE) < 0.3 * abs(naive - SLOPE)


def test_the_variance_is_the_spread_over_samples():
    """Stefanski & Cook 1995: their variance against that of repeated samples."""
    found, said = [], []
    rng = np.random.default_rng(8)
    for _ in range(300):
        x = rng.normal(0, 1, 200)
        y, w = 2 * x + rng.normal(0, 1, 200), x + rng.normal(0, 0.5, 200)

        def line(z, y=y):
            c = np.cov(z, y)
            b = c[0, 1] / c[0, 0]
            residual = c[1, 1] - b * c[0, 1]
            return np.array([b]), np.array([[residual / (len(z) * c[0, 0])]])

        estimate, covariance = simex(line, w, 0.5, n=20, seed=rng).at_no_error()
        found.append(estimate[0])
        said.append(covariance[0, 0])
    # the variance of 300 samples is known to 8 in 100
    assert np.mean(said) == pytest.approx(np.var(found, ddof=1), rel=0.25)


def test_errors_turned_back_at_the_wall_add_up_and_errors_cut_off_do_not():
    """Reflected Brownian motion is a Markov process: |  |x + a| + b | is spread as |x + a + b|
    for symmetric a and b (Karlin & Taylor, A First Course in Stochastic Processes, ch. 7).
    """
    rng = np.random.default_rng(3)
    x, n = 0.05, 40_000
    a, b = rng.normal(0, 0.1, (2, n))
    once = np.abs(x + rng.normal(0, np.hypot(0.1, 0.1), n))
    assert ks_2samp(np.abs(np.abs(x + a) + b), once).pvalue > 0.01
    cut = np.maximum(np.maximum(x + a, 0) + b, 0)
    cut_once = np.maximum(x + rng.normal(0, np.hypot(0.1, 0.1), n), 0)
    assert ks_2samp(cut, cut_once).pvalue < 1e-6
