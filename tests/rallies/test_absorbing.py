from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sidewall.errors import DataError
from sidewall.rallies.absorbing import (
    alternating_values,
    fundamental_matrix,
    never_absorbed,
    win_share,
)

weights = arrays(float, (2, 4, 7), elements=st.floats(0.01, 1))


@given(weights)
def test_chances_are_chances(w):
    one, two = w / w.sum(axis=-1, keepdims=True)
    for values in alternating_values(one, two):
        assert (values >= 0).all()
        assert (values.sum(axis=-1) <= 1 + 1e-12).all()


def test_stacks_of_chains_are_solved_one_by_one():
    rng = np.random.default_rng(0)
    w = rng.random((2, 3, 4, 7))
    w /= w.sum(axis=-1, keepdims=True)
    first, _ = alternating_values(w[0], w[1])
    for k in range(3):
        np.testing.assert_allclose(first[k], alternating_values(w[0, k], w[1, k])[0])


def test_a_state_that_never_ends_is_named_not_divided_by():
    Q = np.array([[0.5, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
    assert never_absorbed(Q).tolist() == [False, True, True]
    with pytest.raises(DataError, match="state 1, 2"):
        fundamental_matrix(Q)


def exact_inverse(A):
    """Of a matrix of fractions, by Gauss and Jordan."""
    n = len(A)
    rows = [[*row, *(Fraction(int(i == k)) for i in range(n))] for k, row in enumerate(A)]
    for k in range(n):
        at = next(i for i in range(k, n) if rows[i][k])
        rows[k], rows[at] = rows[at], rows[k]
        rows[k] = [x / rows[k][k] for x in rows[k]]
        for i in range(n):
            if i != k:
                rows[i] = [x - rows[i][k] * y for x, y in zip(rows[i], rows[k], strict=True)]
    return [row[n:] for row in rows]


def some_rows(rng, s, ends=3):
    """Rows of sixteenths, about half of them nought; each state leads to a later one or an end."""
    rows = []
    for k in range(s):
        found = [0] * (s + ends)
        found[rng.integers(k + 1, s + ends)] = 1
        for at in rng.integers(0, s + ends, 15):
            found[at] += 1 if rng.random() < 0.4 else 0
        found[rng.integers(s, s + ends)] += 16 - sum(found)
        rows.append([Fraction(int(x), 16) for x in found])
    return rows


@pytest.mark.parametrize("seed", range(71, 79))
def test_visits_and_chances_are_those_of_exact_fractions(seed):
    """One big chain of two strikers' balls, whose ends are as each striker sees them."""
    rng, s = np.random.default_rng(seed), 4
    one, two = some_rows(rng, s), some_rows(rng, s)
    Q = [[Fraction(int(i == j)) - one[i][j] for j in range(s)] for i in range(s)]
    N = fundamental_matrix([[float(x) for x in row[:s]] for row in one])
    np.testing.assert_allclose(N, np.array(exact_inverse(Q), dtype=float), rtol=1e-12)
    whole = [[Fraction(int(i == j)) for j in range(2 * s)] for i in range(2 * s)]
    ends = []
    for mine, rows in ((True, one), (False, two)):
        for k, row in enumerate(rows):
            for j in range(s):
                whole[k + (0 if mine else s)][j + (s if mine else 0)] -= row[j]
            ends.append(row[s : s + 2] if mine else row[s : s + 2][::-1])
    visits = exact_inverse(whole)
    chance = [
        [sum(v * e[end] for v, e in zip(row, ends, strict=True)) for end in (0, 1)]
        for row in visits
    ]
    first, second = alternating_values(np.array(one, dtype=float), np.array(two, dtype=float))
    np.testing.assert_allclose(first, np.array(chance[:s], dtype=float), rtol=1e-12)
    theirs = np.array([row[::-1] for row in chance[s:]], dtype=float)
    np.testing.assert_allclose(second, theirs, rtol=1e-12)
    share = win_share(np.array([first, second]))
    for found, row in zip(
        share.ravel(), [*chance[:s], *(r[::-1] for r in chance[s:])], strict=True
    ):
        assert found == pytest.approx(float(row[0] / sum(row)), rel=1e-12)


def test_share_of_what_is_decided():
    found = win_share(np.array([[[0.25, 0.5], [0.0, 0.0], [1e-9, 0.0], [0.0, 1e-9]]]))
    np.testing.assert_array_equal(found, [[1 / 3, np.nan, 1.0, 0.0]])


def leads_to_an_end(Q, k, seen=()):
    """Whether a walk from a state can leave the chain."""
    if sum(Q[k]) < 1 - 1e-12:
        return True
    on = [j for j in range(len(Q)) if Q[k][j] > 0 and j not in (*seen, k)]
    return any(leads_to_an_end(Q, j, (*seen, k)) for j in on)


@pytest.mark.parametrize("seed", range(81, 121))
def test_who_never_leaves_by_every_walk(seed):
    """Seven states, each with one or two ways on and seldom one out; and all who do not leave."""
    rng, s = np.random.default_rng(seed), 7
    Q = np.zeros((s, s))
    for row in Q:
        ways = rng.choice(s, rng.integers(1, 3), replace=False)
        row[ways] = 1 / len(ways) if rng.random() < 0.8 else 1 / (len(ways) + 1)
    stuck = [not leads_to_an_end(Q, k) for k in range(s)]
    assert never_absorbed(Q).tolist() == stuck
    if any(stuck):
        named = ", ".join(str(k) for k in range(s) if stuck[k])
        with pytest.raises(DataError, match=f"^from state {named} the rally never ends; merge it"):
            fundamental_matrix(Q)


def test_a_long_way_out_is_found_to_its_end():
    s = 30
    Q = np.diag(np.ones(s - 1), 1)
    assert not never_absorbed(Q).any()
    Q[-1, 0] = 1.0
    assert never_absorbed(Q).all()
    assert never_absorbed(np.zeros((0, 0))).shape == (0,)
    sixths = np.full((6, 6), 1 / 6)
    assert sixths[0].sum() < 1.0  # by rounding alone
    assert never_absorbed(sixths).all()
    both = never_absorbed(np.stack([sixths, 0.9 * sixths]))
    np.testing.assert_array_equal(both, [[True] * 6, [False] * 6])
