"""Exact answers against games played at random: within four standard errors."""

import numpy as np
import pytest

from sidewall.scoring import HandInHandOut, PointARally

N = 200_000


def assert_near(exact, sample):
    error = sample.std() / np.sqrt(len(sample))
    assert error > 0
    assert abs(exact - sample.mean()) < 4 * error


@pytest.mark.parametrize(
    ("kind", "to", "p_serve", "p_receive", "score", "serving"),
    [
        ("par", 11, 0.58, 0.47, (0, 0), True),
        ("par", 11, 0.40, 0.62, (0, 0), False),
        ("par", 15, 0.50, 0.46, (3, 7), True),
        ("par", 11, 0.20, 0.85, (10, 10), True),
        ("par", 11, 0.45, 0.60, (13, 14), False),
        ("hiho", 9, 0.58, 0.47, (0, 0), True),
        ("hiho", 10, 0.40, 0.55, (0, 0), False),
        ("hiho", 10, 0.45, 0.60, (8, 8), False),
    ],
)
def test_win_points_and_rallies(players, kind, to, p_serve, p_receive, score, serving):
    a, b, rallies = players[kind](p_serve, p_receive, to, score, serving, N, 20261125)
    game = PointARally(to) if kind == "par" else HandInHandOut(choice=to)
    course = game.expected_game(p_serve, p_receive, score, serving)
    assert game.game_win_probability(p_serve, p_receive, score, serving) == course.win
    assert_near(course.win, a > b)
    assert_near(course.rallies, rallies)
    assert_near(course.points_for, a)
    assert_near(course.points_against, b)


@pytest.mark.parametrize(("kind", "to"), [("par", 11), ("hiho", 9), ("hiho", 10)])
def test_final_scores(players, kind, to):
    a, b, _ = players[kind](0.57, 0.46, to, (0, 0), True, N, 7)
    game = PointARally(to) if kind == "par" else HandInHandOut(choice=to)
    table = game.final_score_probabilities(0.57, 0.46)
    assert table["probability"].sum() == pytest.approx(1.0, abs=1e-13)
    seen = 0
    for points_for, points_against, or_more, p in table.itertuples(index=False):
        if or_more:
            hit = (np.minimum(a, b) >= to - 1) & ((a > b) == (points_for > points_against))
        else:
            hit = (a == points_for) & (b == points_against)
        seen += hit.sum()
        assert abs(hit.mean() - p) < 4 * np.sqrt(p * (1 - p) / N)
    assert seen == N
