from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.scoring import HandInHandOut, Match, PointARally

chance = st.floats(0.01, 0.99)
matches = st.builds(
    Match,
    st.sampled_from([PointARally(), PointARally(15), HandInHandOut()]),
    st.sampled_from([1, 3, 5]),
)


def by_listing(match, p, r, games, score, serving):
    """Win, rallies, games for and against by going through every course of the games."""
    needed = match.best_of // 2 + 1
    totals = np.zeros(4)
    for results in product((True, False), repeat=match.best_of):
        g, h = games
        weight = 1.0
        at, serves, rallies, over = score, serving, 0.0, False
        for won in results:
            if over:  # each course is listed once for every way games not played could have gone
                weight *= 0.5
                continue
            course = match.game.expected_game(p, r, at, serves)
            weight *= course.win if won else 1 - course.win
            rallies += course.rallies
            g, h = g + won, h + (not won)
            over = needed in (g, h)
            at, serves = (0, 0), won
        totals += weight * np.array([g > h, rallies, g, h])
    return totals


@pytest.mark.parametrize("game", [PointARally(), HandInHandOut()])
@pytest.mark.parametrize("best_of", [3, 5])
@pytest.mark.parametrize(
    ("games", "score", "serving"),
    [
        ((0, 0), (0, 0), True),
        ((0, 0), (0, 0), False),
        ((1, 1), (0, 0), True),
        ((1, 1), (0, 0), False),
        ((1, 1), (6, 4), False),
        ((0, 1), (3, 8), True),
    ],
)
def test_every_course_listed(game, best_of, games, score, serving):
    match = Match(game, best_of)
    found = match.expected_match(0.6, 0.42, games, score, serving)
    listed = by_listing(match, 0.6, 0.42, games, score, serving)
    exact = [found.win, found.rallies, found.games_for, found.games_against]
    np.testing.assert_allclose(exact, listed, rtol=1e-11)
    won = match.match_win_probability(0.6, 0.42, games, score, serving)
    assert won == found.win


@given(matches, chance, chance, st.booleans())
def test_a_probability_and_the_opponent_has_the_rest(match, p, r, serving):
    mine = match.expected_match(p, r, serving=serving)
    theirs = match.expected_match(1 - r, 1 - p, serving=not serving)
    assert 0 <= mine.win <= 1 + 1e-12
    assert mine.win + theirs.win == pytest.approx(1.0, abs=1e-11)
    assert mine.games_for == pytest.approx(theirs.games_against, abs=1e-11)
    assert mine.rallies == pytest.approx(theirs.rallies, rel=1e-9)


@given(st.sampled_from([1, 3, 5]), chance, chance, st.floats(0, 0.2))
def test_winning_more_rallies_wins_more_matches(best_of, p, r, more):
    match = Match(best_of=best_of)
    better = match.match_win_probability(min(p + more, 1), min(r + more, 1))
    assert better >= match.match_win_probability(p, r) - 1e-12


def test_best_of_one_is_a_game():
    for game in (PointARally(), HandInHandOut()):
        assert Match(game, 1).match_win_probability(0.6, 0.4) == pytest.approx(
            game.game_win_probability(0.6, 0.4), abs=1e-15
        )


def test_longer_matches_favour_the_better_player():
    chances = [Match(best_of=n).match_win_probability(0.52, 0.52) for n in (1, 3, 5)]
    assert 0.5 < chances[0] < chances[1] < chances[2]


def test_spin_of_the_racket_is_the_average():
    """Of the rallies too: who wins may not hang on the order of serves, how soon does."""
    first, second, found = (
        Match().expected_match(0.7, 0.4, serving=serving) for serving in (True, False, None)
    )
    assert first.win > second.win
    for name in ("win", "rallies", "games_for", "games_against"):
        average = (getattr(first, name) + getattr(second, name)) / 2
        assert getattr(found, name) == pytest.approx(average, rel=1e-14)


def test_arrays():
    p = np.linspace(0.3, 0.7, 6).reshape(2, 3)
    found = Match().expected_match(p, 0.5, (1, 0), (2, 2))
    assert found.win.shape == found.rallies.shape == (2, 3)
    assert found.win[1, 0] == pytest.approx(
        Match().match_win_probability(p[1, 0], 0.5, (1, 0), (2, 2)), abs=1e-15
    )


def test_speed_of_a_grid(benchmark):
    grid = np.linspace(0.3, 0.7, 101)
    assert benchmark(Match().match_win_probability, grid, grid).shape == (101,)
