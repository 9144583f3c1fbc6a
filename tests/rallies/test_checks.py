"""The chain's own checks: order, stationarity, coarseness."""

import numpy as np
import pytest
from scipy.stats import chi2, chi2_contingency, hypergeom

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
    """With a column of a single count, rows and columns of none, a table that tells nothing.

    Their counts are thin. A hundred times as many have the p-values of large counts.
    """
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
    assert found.n == tables.sum()
    assert np.isnan([found.p_g, found.p_chi_square]).all()
    firm = independence(100 * tables, "")
    assert firm.p_g == pytest.approx(chi2.sf(100 * g, df))
    assert firm.p_chi_square == pytest.approx(chi2.sf(100 * chi_square, df))


def test_a_fifth_of_thin_cells_leaves_the_p_values_of_large_counts_and_more_does_not():
    """All rows but the first expect 20 in both columns; the first expects 4."""
    rows = np.array([[4, 4], [22, 18], [18, 22], [20, 20], [20, 20]])
    fifth, quarter = independence(rows, ""), independence(rows[:4], "")
    assert (fifth.thin_cells, quarter.thin_cells) == (0.2, 0.25)
    assert fifth.p_chi_square == pytest.approx(chi2.sf(fifth.chi_square, 4))
    assert fifth.p_g == pytest.approx(chi2.sf(fifth.g, 4))
    assert np.isnan([quarter.p_g, quarter.p_chi_square]).all()


SHUFFLES = 3999


@pytest.mark.parametrize("test", ["order", "stationarity"])
def test_shuffling_a_table_of_two_by_two_gives_the_exact_p(test):
    """All tables with these margins whose Pearson statistic is as large, by their chances."""
    table = np.array([[7, 2], [3, 6]])
    row, column = (np.repeat(at.ravel(), table.ravel()) for at in np.indices((2, 2)))
    first = np.arange(11)
    size = np.abs(first - 9 * 10 / 18)
    exact = hypergeom.pmf(first, 18, 9, 10)[size >= abs(7 - 5)].sum()
    if test == "order":
        states = np.column_stack([row, column]).ravel()
        found = order_test(states, np.repeat(np.arange(18), 2), 0, permutations=SHUFFLES)
    else:
        found = stationarity_test(np.zeros(18, int), column, row, permutations=SHUFFLES)
    error = 4 * np.sqrt(exact * (1 - exact) / SHUFFLES)
    assert found.p_value == pytest.approx(exact, abs=error + 1 / SHUFFLES)
    again = stationarity_test(np.zeros(18, int), column, row, permutations=0)
    assert np.isnan(again.p_value)


def test_a_first_order_chain_passes_at_order_one_and_fails_at_zero():
    x, sequence = markov(1, 0)
    assert order_test(x, sequence, 0).p_g < 1e-6
    assert order_test(x, sequence, 1).p_g > 1e-3


def test_a_second_order_chain_fails_at_order_one_and_passes_at_two():
    x, sequence = markov(2, 1)
    assert order_test(x, sequence, 1).p_g < 1e-6
    assert order_test(x, sequence, 2).p_g > 1e-3


def test_false_alarms_come_at_their_rate():
    logs = (markov(1, seed, n=60) for seed in range(200))
    p = [order_test(*log, 1, permutations=0).p_chi_square for log in logs]
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
    assert found.thin_cells > 0.2
    assert found.p_value == 1 / 200
    assert chain.stationarity_test("game").n == len(chain.moves().table)


def test_thin_is_told_of_the_tables_that_are_tested():
    """A table with one row of counts tells nothing, however small its counts are."""
    firm, still = [[30, 20], [10, 40]], [[1, 2], [0, 0]]
    assert independence(np.array([firm, still]), "").thin_cells == 0.0


def rallies(rows, n, rng):
    """Rally, state and next state or end of every shot of a first-order chain from state 0."""
    at, now, parts = np.arange(n), np.zeros(n, int), []
    while len(at):
        beyond = rng.random(len(at))[:, None] > rows[now].cumsum(axis=1)
        following = beyond.sum(axis=1).clip(max=rows.shape[1] - 1)
        parts.append((at, now, following))
        on = following < len(rows)
        at, now = at[on], following[on]
    rally, state, following = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.argsort(rally, kind="stable")
    return rally[order], state[order], following[order]


@pytest.mark.parametrize("matches", [1, pytest.param(15, marks=pytest.mark.slow)])
def test_false_alarms_of_thin_tables_come_at_their_rate(chain, matches):
    """The default states, first-order rallies and no drift; 4 standard errors of a share."""
    rows, p, logs = chain.transition_.to_numpy(), [], 100
    for log in range(logs):
        rally, state, following = rallies(rows, 60 * matches, np.random.default_rng([matches, log]))
        game, match = rally % 60 // 20, rally // 60
        order = order_test(state, rally, 1, len(rows), 99, log)
        drift = stationarity_test(state, following, game, rally, match, 99, log)
        assert min(order.thin_cells, drift.thin_cells) > 0.5
        p.append((order.p_value, drift.p_value))
    for level in (0.05, 0.5):
        share = np.mean(np.array(p) <= level, axis=0)
        assert share == pytest.approx(level, abs=4 * np.sqrt(level * (1 - level) / logs))


def test_thin_tables_show_a_second_step_and_a_drift(chain):
    """Planted: of balls, 3 in 10 go back to where they came from; a third game of more tins."""
    rows, matches = chain.transition_.to_numpy(), 15
    s, rng = len(rows), np.random.default_rng(15)
    rally, state, following = rallies(rows, 60 * matches, rng)
    game, match = rally % 60 // 20, rally // 60
    tinned = np.where((game == 2) & (rng.random(len(rally)) < 0.15), s + 1, following)
    drift = stationarity_test(state, tinned, game, rally, match)
    back = state.copy()
    for k in range(3, len(state)):
        if rally[k] == rally[k - 3] and rng.random() < 0.3:
            back[k] = back[k - 2]
    second = order_test(back, rally, 1, s)
    assert min(drift.thin_cells, second.thin_cells) > 0.5
    assert drift.p_value == second.p_value == 1 / 200


def test_moves_of_a_rally_may_depend_on_one_another():
    """Every rally keeps to a habit of its own; its moves shuffled one by one look like a drift."""
    together, apart = [], []
    for log in range(100):
        rng = np.random.default_rng(log)
        rally = np.repeat(np.arange(60), 12)
        game, habit = rally // 20, rng.integers(0, 3, 60)[rally]
        move = np.where(rng.random(len(rally)) < 0.5, habit, rng.integers(0, 3, len(rally)))
        start = rng.integers(0, 3, len(rally))
        together.append(stationarity_test(start, move, game, rally, None, 99, log).p_value)
        apart.append(stationarity_test(start, move, game, None, None, 99, log).p_value)
    error = 4 * np.sqrt(0.05 * 0.95 / 100)
    assert np.mean(np.array(together) <= 0.05) == pytest.approx(0.05, abs=error)
    assert np.mean(np.array(apart) <= 0.05) > 0.05 + error


def test_matches_may_differ_and_be_of_different_lengths():
    """One match of two games, one of three, by other players; games are the same in each."""
    rng = np.random.default_rng(8)
    rally = np.repeat(np.arange(200), 10)
    match = (rally >= 80).astype(int)
    game = np.where(match == 0, rally // 40, (rally - 80) // 40)
    start = rng.integers(0, 3, len(rally))
    move = np.where(rng.random(len(rally)) < 0.5, match, rng.integers(0, 3, len(rally)))
    assert stationarity_test(start, move, game, rally, match).p_value > 0.05
    assert stationarity_test(start, move, game, rally).p_value == 1 / 200
    # what lasts a whole match can only be shuffled over all
    assert stationarity_test(start, move, match, rally, match).p_value == 1 / 200


def test_what_changes_within_a_rally_cannot_be_shuffled_whole(chain):
    found = chain.stationarity_test("player")
    assert np.isnan(found.p_value)
    assert found.df > 0
    assert np.isnan(chain.order_test(1, permutations=0).p_value)
