"""Rows of the player who is not charted in full: a gap, in words or not, and the choice."""

import pytest

from sidewall.log import check_log

HEAD = "match,game,rally,shot,player,side,stroke,gap_cm,gap_class,choice,ending\n"
SERVE = "m,1,1,1,Rowan,forehand,serve,,,,\n"
LAST = "m,1,1,3,Rowan,forehand,drop,60,,,winner\n"


def check(tmp_path, row):
    file = tmp_path / "log.csv"
    file.write_text(HEAD + SERVE + f"m,1,1,2,Hazel,{row},\n" + LAST, encoding="utf-8")
    return check_log(file)


@pytest.mark.parametrize(
    ("row", "gap_class"), [(",,,Tight,reset", "tight"), (",,35,,attack", None)]
)
def test_stroke_and_side_may_be_blank_where_gap_and_choice_stand(tmp_path, row, gap_class):
    found = check(tmp_path, row)
    assert (found.rows_refused, len(found.problems)) == (0, 0)
    short = found.shots.iloc[1]
    assert short["choice"] == row.rsplit(",", 1)[1]
    assert short["choice_source"] == "charted"
    assert (short["gap_class"] if gap_class else None) == gap_class
    assert found.shots[["side", "stroke"]].iloc[1].isna().all()
    assert (short["gap_m"] == 0.35) == (gap_class is None)


def test_a_gap_in_words_stands_in_for_its_number(tmp_path):
    found = check(tmp_path, "backhand,drive,,loose,")
    assert found.rows_refused == 0
    assert found.shots["gap_class"].tolist()[1] == "loose"


def test_a_stroke_without_its_side_is_noted(tmp_path):
    found = check(tmp_path, ",drive,35,,reset")
    assert found.rows_refused == 0
    assert found.doubts["column"].tolist() == ["side"]
    assert "1 row is charted in short" in found.notes[0]


def test_a_word_far_from_the_number_is_noted(tmp_path):
    found = check(tmp_path, "backhand,drive,150,tight,reset")
    assert found.doubts["column"].tolist() == ["gap_class"]
    assert found.shots["gap_m"].tolist()[1] == 1.5
    assert len(check(tmp_path, "backhand,drive,60,middling,reset").doubts) == 0


@pytest.mark.parametrize(
    ("row", "column"),
    [(",,,tight,", "side"), (",,,,reset", "side"), ("backhand,drive,,,", "gap_cm")],
)
def test_with_less_the_row_is_refused(tmp_path, row, column):
    found = check(tmp_path, row)
    assert found.rows_refused > 0
    assert column in found.problems["column"].tolist()
