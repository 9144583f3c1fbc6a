from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import DataError
from sidewall.features import shot_features
from sidewall.log import read_shots
from sidewall.log.score import NOBODY, NOT_KNOWN, hand_in_hand_out, scores_before

A, B = 0, 1
LET = NOBODY
NAN = np.nan


def run(game, server, winner, *, hiho=False, match=None, rally=None, given=None):
    """Points of A and of B, games of A and of B before each rally."""
    n = len(game)
    match = np.zeros(n, dtype=np.int64) if match is None else np.asarray(match)
    if rally is None:
        rally = pd.Series(0, range(n)).groupby([match, game]).cumcount().to_numpy() + 1
    if given is not None:
        given = np.asarray(given, dtype=float)
    one = np.zeros(n, dtype=np.int64)
    of = [np.asarray(each) for each in (game, rally)]
    found = scores_before(
        match, *of, one, np.asarray(server), np.asarray(winner), np.full(n, hiho), given
    )
    return np.column_stack([found.points, found.games]), found.contradicted


def test_point_a_rally_by_hand():
    # A serves and wins, a let, A loses, B serves and wins, B serves and loses.
    s, _ = run([1, 1, 1, 1, 1], [A, A, A, B, B], [A, LET, B, B, A])
    assert s[:, 0].tolist() == [0, 1, 1, 1, 1]
    assert s[:, 1].tolist() == [0, 0, 0, 1, 2]


def test_hand_in_hand_out_scores_for_the_server_only():
    s, _ = run([1, 1, 1, 1, 1], [A, A, B, B, A], [A, B, B, A, A], hiho=True)
    assert s[:, 0].tolist() == [0, 1, 1, 1, 1]
    assert s[:, 1].tolist() == [0, 0, 0, 1, 1]


def test_games_follow_the_points_and_start_again_in_a_new_match():
    game = [1, 1, 2, 2, 3, 1]
    match = [0, 0, 0, 0, 0, 1]
    s, _ = run(game, [A, A, B, B, A, B], [A, A, B, B, A, A], match=match)
    assert s[:, 2].tolist() == [0, 0, 1, 1, 1, 0]
    assert s[:, 3].tolist() == [0, 0, 0, 0, 1, 0]
    assert s[:, :2].max(axis=1).tolist() == [0, 1, 0, 1, 0, 0]


def test_level_game_goes_to_its_last_rally():
    s, _ = run([1, 1, 1, 2], [A, A, B, B], [A, B, LET, B])
    assert s[-1, 2:].tolist() == [0, 1]


def test_game_of_lets_goes_to_nobody():
    s, _ = run([1, 2], [A, A], [LET, A])
    assert s[-1, 2:].tolist() == [0, 0]


def test_a_winner_that_is_not_known_leaves_the_score_not_known():
    s, _ = run([1, 1, 1, 2], [A] * 4, [A, NOT_KNOWN, A, A])
    np.testing.assert_array_equal(s[:, 0], [0, 1, NAN, 0])
    np.testing.assert_array_equal(s[:, 1], [0, 0, NAN, 0])
    # Two known points against at most one: the game is A's all the same.
    assert s[-1, 2:].tolist() == [1, 0]
    s, _ = run([1, 1, 2], [A] * 3, [A, NOT_KNOWN, A])
    np.testing.assert_array_equal(s[-1], [0, 0, NAN, NAN])


@pytest.mark.parametrize(
    ("rally", "points"),
    [
        ([1, 3, 4], [0, NAN, NAN]),  # a hole
        ([2, 3, 4], [NAN, NAN, NAN]),  # the first rally is missing
        ([1, 2, 3], [0, 1, 2]),
    ],
)
def test_a_hole_in_the_numbers_is_a_rally_that_is_missing(rally, points):
    s, _ = run([1, 1, 1], [A] * 3, [A, A, A], rally=rally)
    np.testing.assert_array_equal(s[:, 0], points)


def test_numbers_may_run_on_through_the_match():
    s, _ = run([1, 1, 2, 2], [A] * 4, [A, A, B, B], rally=[1, 2, 3, 4])
    assert s[:, 1].tolist() == [0, 0, 0, 1]
    assert s[:, 2].tolist() == [0, 0, 1, 1]
    s, _ = run([1, 1, 2], [A] * 3, [A, A, B], rally=[1, 2, 4])
    np.testing.assert_array_equal(s[-1], [NAN, NAN, 1, 0])  # 2-0 against one that is missing
    s, _ = run([1, 2], [A] * 2, [A, B], rally=[1, 3])
    np.testing.assert_array_equal(s[-1], [NAN, NAN, NAN, NAN])


def test_a_game_that_is_missing_leaves_the_games_not_known():
    s, _ = run([1, 3], [A, A], [A, A])
    np.testing.assert_array_equal(s[1], [0, 0, NAN, NAN])
    s, _ = run([2, 2], [A, A], [A, A])
    np.testing.assert_array_equal(s[1], [1, 0, NAN, NAN])


def test_a_given_score_goes_before_the_count_and_is_counted_on_from():
    given = np.full((5, 4), NAN)
    given[2, :2] = [4, 7]
    given[4, 2:] = [1, 2]
    s, off = run([1, 1, 1, 1, 4], [A] * 5, [A, NOT_KNOWN, A, A, A], given=given)
    np.testing.assert_array_equal(s[:, 0], [0, 1, 4, 5, 0])
    np.testing.assert_array_equal(s[:, 1], [0, 0, 7, 7, 0])
    np.testing.assert_array_equal(s[4, 2:], [1, 2])
    assert not off.any()
    given[1, 0] = 3
    _, off = run([1, 1, 1, 1, 4], [A] * 5, [A, NOT_KNOWN, A, A, A], given=given)
    assert np.argwhere(off).tolist() == [[1, 0]]


def match_of(rallies, **columns):
    """A match of serves and returns: each rally's server and its last shot's ending."""
    rows = []
    names = ("Rowan", "Hazel")
    for game, rally, server, ending in rallies:
        shots = ((server, "serve", ""), (1 - server, "drive", ending))
        for shot, (player, stroke, end) in enumerate(shots, 1):
            rows.append((game, rally, shot, names[player], "forehand", stroke, 50, end))
    log = pd.DataFrame(
        rows, columns=["game", "rally", "shot", "player", "side", "stroke", "gap_cm", "ending"]
    )
    return log.assign(match="M", **columns).astype(object)


def score_of(shots):
    """Rowan's and Hazel's points and games before each rally."""
    serves = shots[shots["shot"] == 1]
    own = serves["player"] == "Rowan"
    pairs = [("own_points", "opponent_points"), ("own_games", "opponent_games")]
    found = [np.where(own, serves[m], serves[o]) for p in pairs for m, o in (p, p[::-1])]
    return np.column_stack(found).tolist()


#: Rowan wins 1 and 3, Hazel 2, then 4; in the second game Hazel wins the first.
PLAYED = [
    *((1, 1, 0, "tin"), (1, 2, 0, "winner"), (1, 3, 1, "winner"), (1, 4, 0, "tin")),
    *((1, 5, 0, "tin"), (2, 1, 0, "winner"), (2, 2, 1, "tin")),
]
SCORE = [[0, 0, 0, 0], [1, 0, 0, 0], [1, 1, 0, 0], [2, 1, 0, 0], [3, 1, 0, 0], [0, 0, 1, 0]]
SCORE.append([0, 1, 1, 0])


def test_a_refused_rally_counts_where_its_winner_is_known(checked):
    log = match_of(PLAYED)
    assert score_of(checked(log).shots) == SCORE
    log.loc[log["rally"].eq(2) & log["game"].eq(1) & log["shot"].eq(1), "side"] = "sideways"
    check = checked(log)
    assert check.rows_refused == 2
    assert score_of(check.shots) == SCORE[:1] + SCORE[2:]
    assert score_of(shot_features(check.shots)) == SCORE[:1] + SCORE[2:]


def test_a_refused_rally_whose_winner_nobody_knows_leaves_the_score_not_known(checked):
    log = match_of(PLAYED)
    log.loc[log["rally"].eq(2) & log["game"].eq(1), "ending"] = ""
    shots = checked(log).shots
    before, *after, second, last = score_of(shots)
    assert before == SCORE[0]
    assert np.isnan(np.array(after)[:, :2]).all()
    # Three of Rowan's points against one that is open: the first game is his.
    assert [second, last] == SCORE[-2:]
    np.testing.assert_array_equal(score_of(shot_features(shots)), score_of(shots))


def test_a_row_without_its_rally_leaves_a_hole_that_counts_as_not_known(checked):
    log = match_of(PLAYED)
    log.loc[log["rally"].eq(2) & log["game"].eq(1), "rally"] = ""
    shots = checked(log).shots
    assert np.isnan(np.array(score_of(shots))[1:4, :2]).all()


def test_the_log_s_own_score_goes_before_the_count(checked):
    log = match_of(PLAYED)
    log["own_points"], log["opponent_points"] = "", ""
    log.loc[log["rally"].eq(2) & log["game"].eq(1), "ending"] = ""
    # Hazel serves rally 3 of the first game, at 1-1.
    at = log["rally"].eq(3) & log["game"].eq(1) & log["shot"].eq(1)
    log.loc[at, ["own_points", "opponent_points"]] = ["1", "1"]
    check = checked(log)
    assert check.doubts.empty
    assert score_of(check.shots) == SCORE[:1] + SCORE[2:]


def test_a_score_that_the_rallies_before_it_contradict_is_said(checked):
    log = match_of(PLAYED).assign(own_points="")
    log["own_points"] = log["own_points"].astype(object)
    log.loc[log["rally"].eq(3) & log["game"].eq(1) & log["shot"].eq(2), "own_points"] = 4
    check = checked(log)
    assert check.doubts[["line", "column", "value"]].to_numpy().tolist() == [[7, "own_points", "4"]]
    assert "rallies before it make another score" in check.doubts["reason"].iloc[0]
    assert score_of(check.shots)[2][:2] == [4, 1]


def test_two_rallies_under_one_number_are_not_taken_for_one(checked):
    log = match_of([(1, 1, 0, "tin"), (1, 1, 0, "tin"), (1, 2, 0, "tin"), (1, 3, 0, "tin")])
    log.loc[2:3, "shot"] = [3, 4]
    assert np.isnan(score_of(checked(log).shots)[0][:2]).all()


def test_rules_that_are_not_understood_leave_the_points_not_known(checked):
    log = match_of(PLAYED).assign(scoring="as agreed")
    found = np.array(score_of(checked(log).shots))
    np.testing.assert_array_equal(found[:, 0], [0, *[NAN] * 4, 0, NAN])


def test_tables_with_scores_come_back_the_same(checked):
    shots = checked(match_of(PLAYED)).shots
    pd.testing.assert_frame_equal(read_shots(shots), shots)


def test_words_for_scoring():
    words = pd.Series(
        ["PAR", "hiho9", None, "par 15", "HiHo", "11 PAR", "Hand-in-hand-out", "point-a-rally"]
    )
    assert hand_in_hand_out(words).tolist() == [False, True, False, False, True, False, True, False]
    with pytest.raises(DataError, match="scoring holds 'rally'"):
        hand_in_hand_out(pd.Series(["rally"]))
