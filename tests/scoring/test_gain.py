"""Gains are derivatives: against central differences, and against each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.errors import DataError
from sidewall.scoring import HandInHandOut, Match, PointARally

GAMES = [PointARally(), PointARally(15), HandInHandOut(), HandInHandOut(choice=10)]
chance = st.floats(0.1, 0.9)
STEP = 1e-3
DIRECTIONS = {"both": (1, 1), "serve": (1, 0), "receive": (0, 1)}


def slope(function, p, r, on):
    """Differentiate by central differences of error STEP**6 (Fornberg 1988, table 1)."""
    dp, dr = DIRECTIONS[on]
    weights = {1: 3 / 4, 2: -3 / 20, 3: 1 / 60}
    differences = (
        w * (function(p + k * STEP * dp, r + k * STEP * dr)
             - function(p - k * STEP * dp, r - k * STEP * dr))
        for k, w in weights.items()
    )  # fmt: skip
    return sum(differences) / STEP


@pytest.mark.parametrize("on", ["both", "serve", "receive"])
@pytest.mark.parametrize("game", GAMES)
def test_against_differences(game, on):
    p, r = np.array([0.3, 0.45, 0.5, 0.62]), np.array([0.35, 0.5, 0.46, 0.55])
    match = Match(game, 5)

    def margin(p, r):
        course = game.expected_game(p, r)
        return course.points_for - course.points_against

    for exact, function in [
        (match.match_gain_per_rally_share, match.match_win_probability),
        (game.game_gain_per_rally_share, game.game_win_probability),
        (game.points_gain_per_rally_share, margin),
    ]:
        found = exact(p, r, on=on)
        assert found.shape == (4,)
        np.testing.assert_allclose(found, slope(function, p, r, on), rtol=2e-9, atol=1e-9)


def test_under_way():
    match = Match(best_of=3)

    def win(p, r):
        return match.match_win_probability(p, r, (1, 1), (10, 11), False)

    found = match.match_gain_per_rally_share(0.5, 0.45, (1, 1), (10, 11), False)
    assert isinstance(found, float)
    assert found == pytest.approx(slope(win, 0.5, 0.45, "both"), rel=1e-9)


@given(st.sampled_from(GAMES), chance, chance)
def test_serve_and_receive_add_up(game, p, r):
    match = Match(game)
    both, serve, receive = (match.match_gain_per_rally_share(p, r, on=on) for on in DIRECTIONS)
    assert both == pytest.approx(serve + receive, rel=1e-9, abs=1e-9)
    assert min(serve, receive) >= -1e-12


def test_a_match_is_won_by_the_share_when_even():
    """At deuce with even chances the win is p^2 / (p^2 + q^2), whose slope at a half is 2."""
    assert PointARally().game_gain_per_rally_share(0.5, 0.5, (10, 10)) == pytest.approx(2.0)


def test_certain_rallies_have_a_gain():
    """Won 11-0 for sure: a point lost in a hundred rallies costs no game, but points."""
    game = PointARally()
    assert game.game_gain_per_rally_share(1, 1) == 0.0
    # 11 points each cost one more point against when lost, and none for
    assert game.points_gain_per_rally_share(1, 1) == pytest.approx(11.0)


def test_unknown_rallies():
    with pytest.raises(DataError, match="on='volley' is not known; use both, serve, receive"):
        Match().match_gain_per_rally_share(0.5, 0.5, on="volley")
