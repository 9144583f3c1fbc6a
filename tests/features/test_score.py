from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import DataError
from sidewall.features.score import hand_in_hand_out, scores_before

A, B, LET = 0, 1, -1


def run(game, server, winner, *, hiho=False, match=None):
    n = len(game)
    match = np.zeros(n, dtype=np.int64) if match is None else np.asarray(match)
    return scores_before(
        match, np.asarray(game), np.asarray(server), np.asarray(winner), np.full(n, hiho)
    )


def test_point_a_rally_by_hand():
    # A serves and wins, a let, A loses, B serves and wins.
    s = run([1, 1, 1, 1, 1], [A, A, A, B, B], [A, LET, B, B, A])
    assert s.server_points.tolist() == [0, 1, 1, 1, 2]
    assert s.receiver_points.tolist() == [0, 0, 0, 1, 1]


def test_hand_in_hand_out_scores_for_the_server_only():
    s = run([1, 1, 1, 1, 1], [A, A, B, B, A], [A, B, B, A, A], hiho=True)
    assert s.server_points.tolist() == [0, 1, 0, 1, 1]
    assert s.receiver_points.tolist() == [0, 0, 1, 1, 1]


def test_games_follow_the_points_and_start_again_in_a_new_match():
    game = [1, 1, 2, 2, 3, 1]
    match = [0, 0, 0, 0, 0, 1]
    s = run(game, [A, A, B, B, A, B], [A, A, B, B, A, A], match=match)
    assert s.server_games.tolist() == [0, 0, 0, 0, 1, 0]
    assert s.receiver_games.tolist() == [0, 0, 1, 1, 1, 0]
    assert s.server_points.tolist() == [0, 1, 0, 1, 0, 0]


def test_level_game_goes_to_its_last_rally():
    # A refused rally left the first game level; its last decided rally went to B.
    s = run([1, 1, 1, 2], [A, A, B, B], [A, B, LET, B])
    assert (s.server_games[-1], s.receiver_games[-1]) == (1, 0)


def test_game_of_lets_goes_to_nobody():
    s = run([1, 2], [A, A], [LET, A])
    assert (s.server_games[-1], s.receiver_games[-1]) == (0, 0)


def test_words_for_scoring():
    words = pd.Series(
        ["PAR", "hiho9", None, "par 15", "HiHo", "11 PAR", "Hand-in-hand-out", "point-a-rally"]
    )
    assert hand_in_hand_out(words).tolist() == [False, True, False, False, True, False, True, False]
    with pytest.raises(DataError, match="scoring holds 'rally'"):
        hand_in_hand_out(pd.Series(["rally"]))
