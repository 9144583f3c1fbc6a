"""A clean log comes out as the table that everything else takes."""

import numpy as np
import pandas as pd
import pytest

import sidewall.log
from sidewall.court import Court
from sidewall.log.vocabulary import VOCABULARY


def test_nothing_is_refused_or_folded(log, checked):
    check = checked(log)
    assert check.rows_in == 12
    assert check.problems.empty
    assert list(check.folded.itertuples(index=False, name=None)) == []
    assert list(check.problems.columns) == ["line", "column", "value", "reason", "mend", "kind"]
    assert list(check.folded.columns) == ["column", "found", "read_as", "rows"]


def test_table(log, checked):
    shots = checked(log).shots
    assert isinstance(shots.index, pd.RangeIndex)
    assert shots["line"].tolist() == list(range(2, 14))
    assert list(shots["match"].cat.categories) == ["M1", "M2"]
    players = ["Rowan", "Hazel", "Alder", "Birch"]
    for name in ("player", "opponent", "rally_won_by"):
        assert list(shots[name].cat.categories) == players
    charted = set(VOCABULARY) & set(log)
    assert set(VOCABULARY) & set(shots) == charted
    for name in charted:
        assert tuple(shots[name].cat.categories) == VOCABULARY[name]
        assert not shots[name].cat.ordered
    for name in ("game", "rally", "shot", "line"):
        assert shots[name].dtype == np.int64
    assert (shots["player"].astype(object) != shots["opponent"].astype(object)).all()
    assert (shots["gap_m"].isna() == (shots["stroke"] == "serve")).all()
    assert shots["gap_m"].iloc[1] == 0.35
    assert shots["x_m"].iloc[1] == 0.35
    assert shots["t_s"].iloc[2] == 12.6


def test_winner_and_ending_stand_on_the_last_shot_only(log, checked):
    shots = checked(log).shots
    last = shots.groupby(["match", "game", "rally"], observed=True)["shot"].transform("max")
    last = last == shots["shot"]
    assert (shots["ending"].notna() == last).all()
    assert (shots["rally_won_by"].notna() == (last & (shots["ending"] != "let"))).all()


def test_choice_is_charted_or_derived(log, checked):
    shots = checked(log).shots.set_index("line")
    assert shots.loc[4, ["choice", "choice_source"]].tolist() == ["attack", "charted"]
    assert shots.loc[3, ["choice", "choice_source"]].tolist() == ["reset", "derived"]
    assert shots.loc[6, "choice"] == "reset"  # a boast dug out of the back corner
    assert shots.loc[2, ["choice", "choice_source"]].isna().all()


def test_optional_columns_only_when_the_log_has_them(log, checked):
    columns = ["direction", "contact", "choice", "balance", "x", "y", "t"]
    shots = checked(log.drop(columns=columns)).shots
    assert list(shots.columns) == [
        *("match", "game", "rally", "shot", "player", "opponent", "side", "stroke", "gap_m"),
        *("choice", "choice_source", "rally_won_by", "ending"),
        *("own_points", "opponent_points", "own_games", "opponent_games", "line"),
    ]


def test_rows_are_sorted_and_keep_their_lines(log, checked):
    mixed = log.sample(frac=1, random_state=3)
    mixed.index = range(2, 14)
    shots = checked(mixed).shots
    first = mixed.iloc[0]["match"]
    assert shots["match"].iloc[0] == first
    order = shots.assign(match=shots["match"].cat.codes)[["match", "game", "rally", "shot"]]
    assert order.equals(order.sort_values(["match", "game", "rally", "shot"]))
    for line, shot in zip(shots["line"], shots["shot"], strict=True):
        assert int(mixed.loc[line, "shot"]) == shot


def test_rally_numbers_may_run_on_through_the_match(log, checked):
    later = log[log["match"] == "M1"].assign(game="2")
    later["rally"] = (later["rally"].astype(int) + 3).astype(str)
    check = checked(pd.concat([log, later], ignore_index=True))
    assert check.rows_refused == 0


def test_read_shots_and_check_shots_agree_with_the_check(log, checked, recwarn):
    check = checked(log)
    pd.testing.assert_frame_equal(sidewall.log.read_shots(log), check.shots)
    pd.testing.assert_frame_equal(sidewall.log.check_shots(log), check.problems)
    assert not recwarn.list


def test_a_wider_court(log, checked):
    log.loc[3, "gap_cm"] = "350"
    assert checked(log).rows_refused == 3
    check = checked(log, court=Court.doubles())
    assert check.rows_refused == 0
    assert check.shots["gap_m"].max() == 3.5


def test_summary_counts(log, checked):
    text = checked(log).summary()
    assert "12 rows in, 12 used, 0 refused" in text
    assert "5 rallies in 2 matches" in text


@pytest.mark.parametrize("column", ["rally_won_by", "ending"])
def test_repeated_on_every_row_of_the_rally(log, checked, column):
    log[column] = log[column].replace("", None)
    keys = ["match", "game", "rally"]
    log[column] = log.groupby(keys)[column].transform(lambda part: part.bfill())
    assert checked(log).rows_refused == 0


def test_coarse_words_are_columns_of_the_table(log, checked):
    log["Depth"] = ["", "Back-court", "mid", *[""] * 9]
    log["Lane"] = ["", "left", "L", *[""] * 9]
    log["Opponent is"] = ["", "in front", "Behind", *[""] * 9]
    log["First bounce"] = ["", "behind the box", "short", *[""] * 9]
    log["own points"], log["opponent games"] = [["0", *[""] * 11], ["", "1", *[""] * 10]]
    check = checked(log)
    assert (check.rows_refused, len(check.doubts)) == (0, 0)
    shots = check.shots
    assert shots["depth"].tolist()[1:3] == ["back", "middle"]
    assert shots["lane"].tolist()[1:3] == ["left", "left"]
    assert shots["opponent_place"].tolist()[1:3] == ["in_front", "behind"]
    assert shots["bounce"].tolist()[1:3] == ["behind_box", "short"]
    assert shots["opponent_points"].tolist()[:3] == [0, 0, 0]
    assert shots["own_games"].tolist()[:3] == [1, 0, 1]  # one rally, seen from both sides
    assert shots["opponent_games"].tolist()[:3] == [0, 1, 0]


CONTRADICTIONS = [
    # of line 3: x 0.35, y 8.5, gap 35 cm
    ("depth", "front", "say back", True),
    ("depth", "middle", "say back", True),
    ("depth", "back", "", False),
    ("lane", "right", "say left", True),
    ("lane", "centre", "say left", True),
    ("opponent_place", "behind", "say in front", True),
    ("opponent_place", "out of the way", "", False),  # 2.85 m across, and 3.2 is far: by eye
    ("opponent_place", "in front", "", False),
    ("bounce", "short", "say behind box", True),
    ("bounce", "service box", "", False),  # less than half a metre off: by eye
    ("gap_cm", "95", "puts the ball 0.35 m", True),
    ("gap_cm", "80", "", False),
]


@pytest.mark.parametrize(("column", "typed", "said", "doubted"), CONTRADICTIONS)
def test_a_word_that_contradicts_a_measure_is_said(log, checked, column, typed, said, doubted):
    log["opponent_x"], log["opponent_y"], log["bounce_y"] = "", "", ""
    log.loc[3, ["opponent_x", "opponent_y", "bounce_y"]] = ["3.2", "5.4", "7.4"]
    if column not in log:
        log[column] = ""
    log.loc[3, column] = typed
    check = checked(log)
    assert check.rows_refused == 0
    assert check.doubts["line"].tolist() == [3] * doubted
    assert check.doubts["column"].tolist() == [column] * doubted
    if doubted:
        assert said in check.doubts["reason"].iloc[0]
        assert "used" in check.doubts["mend"].iloc[0]


def test_scores_of_a_rally_agree_seen_from_both_sides(log, checked):
    log["own_points"], log["opponent_points"] = "", ""
    log.loc[[2, 3, 4], "own_points"] = ["3", "5", "3"]
    log.loc[3, "opponent_points"] = "3"
    assert checked(log).doubts.empty
    log.loc[4, "own_points"] = "4"
    doubts = checked(log).doubts
    assert doubts[["line", "column", "value"]].to_numpy().tolist() == [[4, "own_points", "4"]]
    assert "another score" in doubts["reason"].iloc[0]
