"""Two strikers in turn: chances and lengths in closed form, in fractions, and by another library.

The duel (A hits with chance a, B with b, A first) is the textbook case of two who take turns:
A wins with ``a / (1 - (1 - a)(1 - b))`` (Feller 1968, An Introduction to Probability Theory and
its Applications, vol. 1, from memory). A chain of more states is written out as what it is, one
chain in which each state has a copy for either striker, and solved in exact fractions.
"""

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array, eye_array
from scipy.sparse.linalg import spsolve

import sidewall as sw
from sidewall.rallies.absorbing import alternating_values, win_share


@pytest.mark.parametrize(("a", "b"), [(1 / 6, 1 / 6), (0.3, 0.5), (0.9, 0.05)])
def test_duel(a, b):
    # one state, then the ends: win, lose, let
    one, two = np.array([[1 - a, a, 0, 0]]), np.array([[1 - b, b, 0, 0]])
    first, second = alternating_values(one, two)
    either = 1 - (1 - a) * (1 - b)
    np.testing.assert_allclose(first, [[a / either, 1 - a / either]], atol=1e-14)
    np.testing.assert_allclose(second, [[b / either, 1 - b / either]], atol=1e-14)


#: Rows of two strikers in three states, in twelfths: the opponent's next state, win, lose, let.
ONE = [(3, 4, 1, 2, 1, 1), (0, 6, 2, 1, 3, 0), (5, 1, 0, 4, 1, 1)]
TWO = [(2, 2, 4, 1, 3, 0), (6, 0, 1, 2, 2, 1), (1, 5, 2, 2, 2, 0)]


def solved(matrix, right):
    """Solve by elimination; exact for fractions."""
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for k in range(len(rows)):
        pivot = next(i for i in range(k, len(rows)) if rows[i][k] != 0)
        rows[k], rows[pivot] = rows[pivot], rows[k]
        rows[k] = [value / rows[k][k] for value in rows[k]]
        for i, row in enumerate(rows):
            if i != k:
                rows[i] = [v - row[k] * w for v, w in zip(row, rows[k], strict=True)]
    return [row[-1] for row in rows]


def exact():
    """Chance that the first striker wins, and that the second does, from either's states."""
    s = len(ONE)
    moves = [[Fraction(int(i == j)) for j in range(2 * s)] for i in range(2 * s)]
    ends = {"first": [], "second": []}
    for who, rows in enumerate((ONE, TWO)):
        for k, row in enumerate(rows):
            for j in range(s):
                moves[who * s + k][(1 - who) * s + j] -= Fraction(row[j], 12)
            won, lost = Fraction(row[s], 12), Fraction(row[s + 1], 12)
            ends["first"].append(lost if who else won)
            ends["second"].append(won if who else lost)
    return (np.array(solved(moves, right), dtype=float) for right in ends.values())


def test_three_states_in_exact_fractions():
    first, second = exact()
    found = alternating_values(np.array(ONE) / 12, np.array(TWO) / 12)
    np.testing.assert_allclose(found[0], np.column_stack([first, second])[:3], atol=1e-14)
    np.testing.assert_allclose(found[1], np.column_stack([second, first])[3:], atol=1e-14)
    np.testing.assert_allclose(win_share(found[0]), (first / (first + second))[:3], atol=1e-14)


def test_pair_of_a_fitted_chain():
    """The chain of two players' own rows, whole, by sparse elimination of another library."""
    players = sw.simulate.draw_players(["Alder", "Birch", "Cedar"], np.random.default_rng(3))
    shots = sw.simulate.simulate_shots(players, sw.simulate.round_robin(3, 2), rng=4)
    chain = sw.RallyChain().fit(shots)
    s = len(chain.states_)
    rows = [chain.rows_[chain.position(name)] for name in ("Alder", "Cedar")]
    blocks = np.zeros((2 * s, 2 * s))
    blocks[:s, s:], blocks[s:, :s] = rows[0][:, :s], rows[1][:, :s]
    system = csr_array(eye_array(2 * s) - csr_array(blocks)).tocsc()
    won = spsolve(system, np.concatenate([rows[0][:, s], rows[1][:, s + 1]]))
    lost = spsolve(system, np.concatenate([rows[0][:, s + 1], rows[1][:, s]]))
    left = spsolve(system, np.ones(2 * s))
    found = chain.pair("Alder", "Cedar")
    met = found["expected_shots"].notna()
    expected = pd.DataFrame({"win": won / (won + lost), "left": left}).iloc[:s][met.to_numpy()]
    np.testing.assert_allclose(found["win_probability"][met], expected["win"], atol=1e-10)
    np.testing.assert_allclose(found["expected_shots"][met], expected["left"], rtol=1e-10)
    assert met.sum() > s / 2
