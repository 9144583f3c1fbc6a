from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.errors import DataError
from sidewall.scoring import HandInHandOut, PointARally
from sidewall.scoring.game import Game

GAMES = [
    PointARally(),
    PointARally(15),
    PointARally(11, clear=1),
    HandInHandOut(),
    HandInHandOut(choice=9),
    HandInHandOut(choice=10),
]
games = st.sampled_from(GAMES)
chance = st.floats(0.001, 0.999)


@st.composite
def states(draw, game_of=games):
    """A game with a score that can occur in it, and a server that can be."""
    game = draw(game_of)
    score = draw(
        st.tuples(st.integers(0, 20), st.integers(0, 20)).filter(
            lambda score: (
                can_be(game, score, None if score == (0, 0) else True) or can_be(game, score, False)
            )
        )
    )
    serving = draw(st.sampled_from([s for s in (True, False) if can_be(game, score, s)]))
    return game, score, serving


def can_be(game, score, serving):
    try:
        game.check_score(score, serving)
    except DataError:
        return False
    return True


@given(states(), chance, chance)
def test_a_probability_and_the_opponent_has_the_rest(state, p, r):
    game, (a, b), serving = state
    mine = game.game_win_probability(p, r, (a, b), serving)
    theirs = game.game_win_probability(1 - r, 1 - p, (b, a), not serving)
    assert 0 <= mine <= 1 + 1e-12
    assert mine + theirs == pytest.approx(1.0, abs=1e-12)


@given(states(), chance, chance, st.floats(0, 0.3), st.floats(0, 0.3))
def test_winning_more_rallies_wins_more_games(state, p, r, more_p, more_r):
    game, score, serving = state
    now = game.game_win_probability(p, r, score, serving)
    better = game.game_win_probability(min(p + more_p, 1), min(r + more_r, 1), score, serving)
    assert better >= now - 1e-12


@given(states(), chance, chance)
def test_one_rally_on(state, p, r):
    """What a score is worth is the average of what the two next ones are worth."""
    game, (a, b), serving = state
    if isinstance(game, HandInHandOut) and (a, b) == (8, 8):
        return  # the choice is made here, once
    share = p if serving else r

    def after(won):
        scores = isinstance(game, PointARally) or won == serving
        score = (a + won, b + (not won)) if scores else (a, b)
        if can_be(game, score, won):
            return game.game_win_probability(p, r, score, won)
        return float(score[0] > score[1])

    expected = share * after(True) + (1 - share) * after(False)
    assert game.game_win_probability(p, r, (a, b), serving) == pytest.approx(expected, abs=1e-12)


@given(states(), chance, chance)
def test_course_hangs_together(state, p, r):
    game, (a, b), serving = state
    course = game.expected_game(p, r, (a, b), serving)
    assert course.win == pytest.approx(game.game_win_probability(p, r, (a, b), serving), abs=1e-12)
    played = course.points_for + course.points_against - a - b
    if isinstance(game, PointARally):
        assert course.rallies == pytest.approx(played, rel=1e-9)
    else:
        assert course.rallies >= played - 1e-9


@given(games, chance, chance, st.sampled_from([True, False, None]))
def test_final_scores_add_up(game, p, r, serving):
    table = game.final_score_probabilities(p, r, serving)
    assert table["probability"].sum() == pytest.approx(1.0, abs=1e-12)
    assert not table.duplicated(["points_for", "points_against"]).any()
    won = table.loc[table["points_for"] > table["points_against"], "probability"].sum()
    assert won == pytest.approx(game.game_win_probability(p, r, serving=serving), abs=1e-12)


@pytest.mark.parametrize("game", GAMES)
def test_arrays_broadcast_and_numbers_stay_numbers(game):
    p, r = np.array([[0.3], [0.5], [0.6]]), np.array([0.4, 0.55])
    found = game.game_win_probability(p, r)
    assert found.shape == (3, 2)
    one = game.game_win_probability(0.6, 0.55)
    assert isinstance(one, float)
    assert found[2, 1] == pytest.approx(one, abs=1e-15)


@pytest.mark.parametrize("game", GAMES)
def test_spin_of_the_racket_is_the_average(game):
    first, second = (game.game_win_probability(0.6, 0.4, serving=s) for s in (True, False))
    assert first > second
    assert game.game_win_probability(0.6, 0.4, serving=None) == pytest.approx(
        (first + second) / 2, abs=1e-15
    )


@pytest.mark.parametrize("game", GAMES)
def test_certain_rallies(game):
    assert game.game_win_probability(1, 1) == 1.0
    assert game.game_win_probability(0, 0) == 0.0
    course = game.expected_game(0, 0)
    assert (course.points_for, course.points_against) == (0.0, float(game.to))
    # losing the first serve hands it over before the opponent scores
    assert course.rallies == game.to + isinstance(game, HandInHandOut)
    # whoever serves first keeps the serve
    assert game.game_win_probability(1, 0, serving=True) == 1.0
    assert game.game_win_probability(1, 0, serving=False) == 0.0


@pytest.mark.parametrize("game", [g for g in GAMES if g != PointARally(11, clear=1)])
def test_a_game_that_never_ends_says_so(game):
    with pytest.raises(DataError, match=r"p_serve 0 and p_receive 1 .*never ends: raise p_serve"):
        game.game_win_probability(0, 1)
    with pytest.raises(DataError, match=r"entry 1 of 2"):
        game.game_win_probability([0.5, 0], [0.5, 1])


def test_a_game_that_ends_all_the_same():
    assert PointARally().game_win_probability(0, 1, (10, 8)) == 1.0
    assert PointARally().expected_game(0, 1, (10, 8)).rallies == 2.0
    assert PointARally(11, clear=1).game_win_probability(0, 1, (0, 0), True) == 0.0


@pytest.mark.parametrize("tiny", [1e-9, 1e-100, 1e-200, 5e-324])
@pytest.mark.parametrize("game", [PointARally(), HandInHandOut(choice=9)])
def test_close_to_never_ending(game, tiny):
    """Level and serving, with the receiver nearly sure: to 9 or deuce, the rare rally decides."""
    level = (10, 10) if isinstance(game, PointARally) else (8, 8)
    won = game.game_win_probability(tiny, 1.0, level)
    assert won == pytest.approx(1.0, abs=1e-8)


def test_best_choice_is_the_receivers():
    p, r = np.meshgrid(np.linspace(0.1, 0.9, 9), np.linspace(0.1, 0.9, 9))
    best, nine, ten = HandInHandOut(), HandInHandOut(choice=9), HandInHandOut(choice=10)
    for serving, pick in ((False, np.maximum), (True, np.minimum)):
        fixed = [g.game_win_probability(p, r, (8, 8), serving) for g in (nine, ten)]
        np.testing.assert_array_equal(
            best.game_win_probability(p, r, (8, 8), serving), pick(*fixed)
        )
        choice = best.best_choice(p, r, serving=serving)
        assert set(np.unique(choice)) == {9, 10}
        better_ten = fixed[1] < fixed[0] if serving else fixed[1] > fixed[0]
        np.testing.assert_array_equal(choice == 10, better_ten)
    assert HandInHandOut().best_choice(0.3, 0.3) == 9


@pytest.mark.parametrize(("p", "r", "target"), [(0.3, 0.35, 9), (0.6, 0.55, 10)])
def test_course_follows_the_choice(p, r, target):
    best, fixed = HandInHandOut(), HandInHandOut(choice=target)
    assert best.best_choice(p, r) == target
    assert best.expected_game(p, r, (8, 8), False) == fixed.expected_game(p, r, (8, 8), False)
    # at 9-8 the choice lies behind: they play to 10
    assert best.game_win_probability(p, r, (9, 8)) == pytest.approx(
        HandInHandOut(choice=10).game_win_probability(p, r, (9, 8)), abs=1e-15
    )


def test_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        PointARally().to = 15


def test_one_clear_a_game_ends_at_its_last_point():
    won = [((11, b), False) for b in range(11)]
    lost = [((b, 11), False) for b in range(11)]
    assert PointARally(11, clear=1).final_scores() == won + lost


def test_a_game_of_ones_own_says_what_ends_it():
    assert {"check_score", "final_scores"} <= Game.__abstractmethods__
