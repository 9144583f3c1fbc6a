"""Chances of games and matches against others' numbers and closed forms."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import binom, nbinom

from sidewall.scoring import HandInHandOut, Match, PointARally

# Negative binomial sum with the deuce closed form, recomputed with SciPy.
ROWS = [
    (0.45, 0.313187, 0.180958),
    (0.52, 0.577067, 0.642228),
    (0.55, 0.686813, 0.819042),
    (0.60, 0.836435, 0.966275),
]


@pytest.mark.parametrize(("p", "game", "match"), ROWS)
def test_point_a_rally_to_11(p, game, match):
    assert PointARally().game_win_probability(p, p) == pytest.approx(game, abs=5e-7)
    assert Match(best_of=5).match_win_probability(p, p) == pytest.approx(match, abs=5e-7)


@pytest.mark.parametrize("to", [11, 15])
@pytest.mark.parametrize("best_of", [3, 5])
def test_negative_binomial_sum(to, best_of):
    """Lose k rallies before winning `to` of them, or reach deuce: p^2 / (p^2 + q^2)."""
    p = np.linspace(0.02, 0.98, 25)
    q = 1 - p
    outright = sum(nbinom.pmf(k, to, p) for k in range(to - 1))
    deuce = binom.pmf(to - 1, 2 * (to - 1), p)
    expected = outright + deuce * p**2 / (p**2 + q**2)
    game = PointARally(to)
    np.testing.assert_allclose(game.game_win_probability(p, p), expected, atol=1e-13)
    need = best_of // 2 + 1
    matches = sum(nbinom.pmf(k, need, expected) for k in range(need))
    found = Match(game, best_of).match_win_probability(p, p)
    np.testing.assert_allclose(found, matches, atol=1e-13)


# NRICH, "Playing Squash" (University of Cambridge).
P = np.linspace(0.05, 0.95, 19)
Q = 1 - P


def test_next_point_of_hand_in_hand_out():
    """At 8-8 to 9 the next point is the game: p / (1 - pq) serving, p^2 / (1 - pq) receiving."""
    game = HandInHandOut(choice=9)
    serving = game.game_win_probability(P, P, (8, 8), True)
    receiving = game.game_win_probability(P, P, (8, 8), False)
    np.testing.assert_allclose(serving, P / (1 - P * Q), rtol=1e-13)
    np.testing.assert_allclose(receiving, P**2 / (1 - P * Q), rtol=1e-13)


def test_ten_is_the_better_call_from_the_golden_point_up():
    to_9, to_10 = HandInHandOut(choice=9), HandInHandOut(choice=10)

    def gain(p):
        level = {"score": (8, 8), "serving": False}
        return to_10.game_win_probability(p, p, **level) - to_9.game_win_probability(p, p, **level)

    turn = (3 - 5**0.5) / 2
    assert brentq(gain, 0.2, 0.6, xtol=1e-14) == pytest.approx(turn, abs=1e-12)
    around = np.array([0.05, 0.2, turn - 1e-6, turn + 1e-6, 0.5, 0.95])
    best = HandInHandOut().best_choice(around, around)
    assert best.tolist() == [9, 9, 9, 10, 10, 10]
