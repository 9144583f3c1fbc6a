"""The sampler on the best-known hierarchy of normal means.

Sources: Rubin 1981, Journal of Educational Statistics 6:377-401; Gelman et al., Bayesian Data
Analysis, 3rd ed., table 5.2 (data from memory). The prior is ours: half-t(4), scale 10, and the
common mean all but flat. The posterior under it is found by an exact grid over the spread.
"""

import numpy as np
import pytest
from scipy.stats import t as student

from sidewall.models.draws import Groups, draw
from sidewall.models.moments import Moments

N = 3000
#: The effective number of independent draws: see tests/models/test_draws.py.
EFFECTIVE = N / 6

EFFECT = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERROR = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def exact():
    """Means and deviations of the mean of schools, its deviations and the spread, by a grid."""
    taus = np.linspace(0.01, 120.0, 6000)
    total = ERROR[:, None] ** 2 + taus**2
    precision = (1 / total).sum(0) + 1e-4  # the common mean is all but flat
    mu = (EFFECT[:, None] / total).sum(0) / precision
    log_weight = student.logpdf(taus / 10.0, 4) - 0.5 * np.log(total).sum(0)
    fit = (EFFECT[:, None] ** 2 / total).sum(0) - precision * mu**2
    log_weight += -0.5 * fit - 0.5 * np.log(precision)
    w = np.exp(log_weight - log_weight.max())
    w /= w.sum()
    shrink = taus**2 / total  # deviation of school j given mu: shrink * (y - mu)
    u = shrink * (EFFECT[:, None] - mu)
    u_var = shrink * ERROR[:, None] ** 2 + shrink**2 / precision

    def moments(mean, variance):
        first = (w * mean).sum(-1)
        return first, np.sqrt((w * (variance + mean**2)).sum(-1) - first**2)

    return moments(mu, 1 / precision), moments(u, u_var), (w * taus).sum()


@pytest.mark.parametrize("share", [None, 0.6])
def test_posterior_is_that_of_the_grid(share):
    """Whether all of a school's error is its rows', or a known share of it what they share."""
    one = np.ones((8, 1))
    weight = ERROR**-2.0 / (1.0 if share is None else 1.0 - share)
    luck = None if share is None else share * ERROR**2
    m = Moments.of((one, one), np.arange(8), np.arange(8), 8, weight, weight * EFFECT)
    groups = Groups(np.array([-1]), np.array([0]), ["school"], np.array([10.0]))
    found = draw(m, groups, N, 200, np.random.default_rng(1), luck=luck)
    (mu, mu_sd), (u, u_sd), tau = exact()
    schools = found.own[:, :, 0].T.astype(float)
    for draws, mean, sd in ((found.common[:, 0], mu, mu_sd), (schools, u, u_sd)):
        assert (np.abs(draws.mean(axis=0) - mean) < 4 * sd / np.sqrt(EFFECTIVE)).all()
        assert (np.abs(draws.std(axis=0) / sd - 1) < 4 / np.sqrt(2 * EFFECTIVE)).all()
    spread = found.spread[:, 0]
    assert spread.mean() == pytest.approx(tau, abs=4 * spread.std() / np.sqrt(EFFECTIVE))
    # the best school is not told apart from the mean: half its raw distance or less
    assert u[0] < 0.5 * (28.0 - mu)
