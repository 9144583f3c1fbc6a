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
    for name, words in VOCABULARY.items():
        assert tuple(shots[name].cat.categories) == words
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
        *("choice", "choice_source", "rally_won_by", "ending", "line"),
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
