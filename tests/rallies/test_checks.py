"""The chain's own checks: order, stationarity, coarseness."""

import numpy as np
import pytest
from scipy.stats import chi2, chi2_contingency

from sidewall.rallies.order import independence, order_test, stationarity_test


def markov(order, seed, n=400, length=30):
    """Sequences of three states that look one or two steps back."""
    rng = np.random.default_rng(seed)
    rows = rng.dirichlet(np.ones(3) * 2, (3, 3) if order == 2 else 3)
    x = np.zeros((n, length), int)
    for t in range(1, length):
        p = rows[x[:, t - 1], x[:, max(t - 2, 0)]] if order == 2 else rows[x[:, t - 1]]
        x[:, t] = (rng.random(n)[:, None] > p.cumsum(axis=1)).sum(axis=1).clip(max=2)
    return x.ravel(), np.repeat(np.arange(n), length)


def test_a_stack_of_tables_is_scipys_table_by_table():
    """With a column of a single count, rows and columns of none, a table that tells nothing."""
    tables = np.array(
        [
            [[12, 3, 1], [5, 9, 0], [4, 4, 0]],
            [[7, 0, 2], [0, 0, 0], [3, 0, 8]],
            [[5, 0, 0], [9, 0, 0], [0, 0, 0]],
        ]
    )
    found = independence(tables, "")
    g, chi_square, df = 0.0, 0.0, 0
    for table in tables:
        kept = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
        for how in ("pearson", "log-likelihood"):
            one = chi2_contingency(kept, correction=False, lambda_=how)
            if how == "pearson":
                chi_square, df = chi_square + one.statistic, df + one.dof
            else:
                g += one.statistic
    assert (found.g, found.chi_square, found.df) == pytest.approx((g, chi_square, df))
    assert found.p_g == pytest.approx(chi2.sf(g, df))
    assert found.n == tables.sum()


def test_a_first_order_chain_passes_at_order_one_and_fails_at_zero():
    x, sequence = markov(1, 0)
    assert order_test(x, sequence, 0).p_g < 1e-6
    assert order_test(x, sequence, 1).p_g > 1e-3


def test_a_second_order_chain_fails_at_order_one_and_passes_at_two():
    x, sequence = markov(2, 1)
    assert order_test(x, sequence, 1).p_g < 1e-6
    assert order_test(x, sequence, 2).p_g > 1e-3


def test_false_alarms_come_at_their_rate():
    p = [order_test(*markov(1, seed, n=60), 1).p_chi_square for seed in range(200)]
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.045)


def test_transitions_that_change_with_the_game_are_noticed():
    rng = np.random.default_rng(3)
    start, period = rng.integers(0, 3, 6000), np.repeat([0, 1], 3000)
    same = rng.integers(0, 4, 6000)
    assert stationarity_test(start, same, period).p_g > 1e-3
    drift = np.where((period == 1) & (rng.random(6000) < 0.3), 0, same)
    assert stationarity_test(start, drift, period).p_g < 1e-6


def test_negative_states_break_the_sequence():
    x = np.array([0, 1, -1, 0, 1, 1])
    assert order_test(x, np.zeros(6, int), 0, 2).n == 3


def test_the_chain_answers_in_its_own_states(chain):
    found = chain.order_test(0)
    assert found.p_g < 1e-6
    assert chain.stationarity_test("game").n == len(chain.moves().table)


def test_thin_is_told_of_the_tables_that_are_tested():
    """A table with one row of counts tells nothing, however small its counts are."""
    firm, still = [[30, 20], [10, 40]], [[1, 2], [0, 0]]
    assert independence(np.array([firm, still]), "").thin_cells == 0.0
