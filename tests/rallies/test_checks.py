"""The chain's own checks: order, stationarity, coarseness."""

from collections import Counter
from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, chi2_contingency, hypergeom

import sidewall as sw
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


QUESTIONS = {
    0: "does the next state depend on the present one?",
    1: "given the present state, does the next depend on the one before?",
    2: "given two states, does the next depend on the one before them?",
    "periods": "do the transitions differ between periods?",
}


def plain_statistics(moves):
    """Of (table, row, column) moves: both statistics, freedom and the share of thin cells."""
    g = chi_square = 0.0
    df, thin, cells = 0, 0, 0
    for at in {table for table, *_ in moves}:
        seen = Counter((row, column) for table, row, column in moves if table == at)
        rows, columns = (sorted({cell[k] for cell in seen}) for k in (0, 1))
        n = sum(seen.values())
        freedom = (len(rows) - 1) * (len(columns) - 1)
        df += freedom
        for r in rows:
            for c in columns:
                due = sum(seen[r, o] for o in columns) * sum(seen[o, c] for o in rows) / n
                chi_square += (seen[r, c] - due) ** 2 / due
                g += 2 * seen[r, c] * np.log(seen[r, c] / due) if seen[r, c] else 0.0
                thin += (due < 5) * (freedom > 0)
                cells += freedom > 0
    return g, chi_square, df, thin / cells if df else np.nan


def plain_test(moves, question, units, blocks, permutations, seed, whole=True):
    """Everything that a test tells, shuffles too: rows of units, within blocks in their order."""
    g, chi_square, df, thin = plain_statistics(moves)
    firm = df > 0 and thin <= 0.2
    found = {
        "question": question,
        "g": g,
        "chi_square": chi_square,
        "df": df,
        "p_g": chi2.sf(g, df) if firm else np.nan,
        "p_chi_square": chi2.sf(chi_square, df) if firm else np.nan,
        "n": len(moves),
        "thin_cells": thin,
        "p_value": np.nan,
    }
    if not (permutations and df and whole):
        return found
    rng, beyond = np.random.default_rng(seed), 0
    row_of, block_of = {}, {}
    for (_, row, _), unit, block in zip(moves, units, blocks, strict=True):
        row_of.setdefault(unit, row)
        block_of.setdefault(unit, block)
    members = {}
    for unit in sorted(row_of):
        members.setdefault(block_of[unit], []).append(unit)
    for _ in range(permutations):
        drawn = iter(rng.random(len(row_of)))
        again = {}
        for block in sorted(members):
            mine = members[block]
            order = sorted(mine, key=dict(zip(mine, drawn, strict=False)).get)
            again |= {to: row_of[out] for to, out in zip(mine, order, strict=True)}
        shuffled = [(t, again[unit], c) for (t, _, c), unit in zip(moves, units, strict=True)]
        beyond += plain_statistics(shuffled)[1] >= chi_square * (1 - 1e-9)
    return found | {"p_value": (1 + beyond) / (1 + permutations)}


def assert_told(found, expected):
    told, expected = asdict(found), dict(expected)
    assert told.pop("question") == expected.pop("question")
    assert told == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)


def past_moves(states, sequence, order):
    """(context, past, next), as far as the sequence goes back and all states are known."""
    found = []
    for k in range(order + 1, len(states)):
        past = list(states[k - order - 1 : k + 1])
        if min(past) >= 0 and sequence[k] == sequence[k - order - 1]:
            found.append((tuple(past[1:-1]), past[0], past[-1]))
    return found


@pytest.mark.parametrize("order", [0, 1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_the_order_by_plain_loops(order, seed):
    """States that are unknown, sequences of one, and a first state after which nothing comes."""
    rng = np.random.default_rng([seed, order])
    n = (30, 60, 240, 600)[seed]
    states = np.where(rng.random(n) < 0.1, -1, rng.integers(0, 3 if seed else 4, n))
    sequence = rng.permutation(n)[np.sort(rng.integers(0, max(n // 12, 2), n))]  # ups and downs
    moves = past_moves(states.tolist(), sequence, order)
    units, contexts = list(range(len(moves))), [context for context, *_ in moves]
    for k in (None, 6):
        expected = plain_test(moves, QUESTIONS[order], units, contexts, 12, 5)
        assert_told(order_test(states, sequence, order, k, 12, 5), expected)
    assert_told(order_test(states, sequence), asdict(order_test(states, sequence, 1, None, 199, 0)))


def test_nothing_to_test_leaves_everything_open():
    for states, sequence in (
        ([0, 1, 0], [0, 1, 2]),
        ([0, 0, 0, 0], [0, 0, 1, 1]),
        ([-1, 0], [0, 0]),
    ):
        found = order_test(states, sequence, 0)
        moves = past_moves(states, sequence, 0)
        assert_told(found, plain_test(moves, QUESTIONS[0], [], [], 0, 0))
        assert np.isnan([found.p_g, found.p_value, found.thin_cells]).all()
        assert found.df == 0


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("of", ["rallies in matches", "rallies", "moves", "whole matches"])
def test_stationarity_by_plain_loops(seed, of):
    rng = np.random.default_rng([seed, len(of)])
    n = (25, 80, 300, 700)[seed]
    rally = np.sort(rng.integers(0, n // 5, n)) * 3 + 1
    match = np.array([20, 3, 11, 7])[rally * 4 // (rally.max() + 1)]  # in no order of numbers
    of_rally = rng.integers(0, 3, rally.max() + 1)
    period = match % 4 if of == "whole matches" else of_rally[rally]
    start, target = rng.integers(0, 3, n), rng.integers(0, 4, n)
    moves = list(zip(start.tolist(), period.tolist(), target.tolist(), strict=True))
    units, blocks = rally.tolist(), match.tolist()
    given = {"rally": rally, "match": match}
    if of in ("rallies", "moves"):
        blocks, given = [0] * n, {"rally": rally}
    if len(set(zip(blocks, period, strict=True))) == len(set(blocks)):
        blocks = [0] * n  # a period a match, as where only a few rallies were played
    assert of != "whole matches" or not any(blocks)
    if of == "moves":
        units, given = list(range(n)), {}
    expected = plain_test(moves, QUESTIONS["periods"], units, blocks, 12, seed)
    assert_told(
        stationarity_test(start, target, period, **given, permutations=12, seed=seed), expected
    )
    usual = stationarity_test(start, target, period, **given)
    assert_told(
        stationarity_test(start, target, period, **given, permutations=199, seed=0), asdict(usual)
    )
    # one move of another period than the rest of its rally
    at = int(np.flatnonzero(np.diff(rally) == 0)[-1]) + 1
    moves[at] = (moves[at][0], moves[at][1] + 1, moves[at][2])
    period = np.array([row for _, row, _ in moves])
    apart = plain_test(moves, QUESTIONS["periods"], units, blocks, 12, seed, whole=of == "moves")
    assert_told(
        stationarity_test(start, target, period, **given, permutations=12, seed=seed), apart
    )


@pytest.mark.parametrize("seed", [91, 92])
def test_the_chain_asks_about_its_own_moves(hard_log, seed):
    """With balls and ends that are not known, and a column with blanks."""
    table = hard_log(seed)
    odd = table["rally_id"].map(lambda k: [None, "a", "b"][k % 3])
    table = table.assign(odd=odd, day=table["match"].astype(str).isin(["m1", "m2"]))
    chain = sw.RallyChain(sw.BallStates((0.4,))).fit(table)
    moves = chain.moves()
    for order in (0, 1, 2):
        past = past_moves(moves.start.tolist(), table["rally_id"].to_numpy(), order)
        contexts = [context for context, *_ in past]
        expected = plain_test(past, QUESTIONS[order], list(range(len(past))), contexts, 9, 4)
        assert_told(chain.order_test(order, 9, 4), expected)
    for by, whole in (("game", True), ("odd", True), ("day", True), ("shot", False)):
        keep = [
            k
            for k, value in enumerate(table[by])
            if not pd.isna(value) and min(moves.start[k], moves.target[k]) >= 0
        ]
        found = [(moves.start[k], str(table[by].iloc[k]), moves.target[k]) for k in keep]
        units = [int(table["rally_id"].iloc[k]) for k in keep]
        names = list(table["match"].unique())
        blocks = [0 if by == "day" else names.index(table["match"].iloc[k]) for k in keep]
        expected = plain_test(found, QUESTIONS["periods"], units, blocks, 9, 4, whole)
        assert_told(chain.stationarity_test(by, 9, 4), expected)
    assert_told(chain.order_test(), asdict(chain.order_test(1, 199, 0)))
    assert_told(chain.stationarity_test(), asdict(chain.stationarity_test("game", 199, 0)))
