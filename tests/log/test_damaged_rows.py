"""A mistake in one row is named with its line, and takes its rally with it."""

import pandas as pd
import pytest

from sidewall.errors import DoubtfulRowsWarning
from sidewall.log import read_shots

CASES = [
    # line, column, typed, part of the reason, part of the mend, rows of the rally
    (3, "match", "", "blank", "name of the match", 3),
    (3, "game", "0", "whole number", "1, 2, 3", 3),
    (3, "game", "first", "whole number", "1, 2, 3", 3),
    (3, "rally", "1.5", "whole number", "number the rallies 1, 2, 3", 3),
    (3, "shot", "-2", "whole number", "1, 2, 3", 3),
    (3, "shot", "", "blank", "1, 2, 3", 3),
    (3, "shot", "1e12", "whole number", "1, 2, 3", 3),
    (3, "player", " ", "blank", "who strikes", 3),
    (3, "player", "Hazle", "third name", "Rowan or Hazel", 3),
    (3, "side", "", "blank", "forehand or backhand", 3),
    (3, "side", "left", "no known side", "forehand, backhand", 3),
    (3, "stroke", "cross drive", "another direction", "agree", 3),
    (4, "ending", "winer", "no known ending", "did you mean winner", 3),
    (4, "ending", "error", "no known ending", "tin, out or down", 3),
    (3, "gap_cm", "", "blank", "only a serve", 3),
    (3, "gap_cm", "close", "no number", "plain number", 3),
    (3, "gap_cm", "inf", "no number", "plain number", 3),
    (3, "gap_cm", "-5", "negative", "distance", 3),
    (3, "gap_cm", "400", "never farther than 3.2 m", "nearest side wall", 3),
    (3, "gap_cm", "35 in", "no number", "the column is in cm", 3),
    (3, "x", "7", "off the court", "unit", 3),
    (3, "x", "350", "off the court", "rename it x_cm", 3),
    (3, "y", "-1", "off the court", "unit", 3),
    (3, "y", "far", "no number", "plain number", 3),
    (3, "t", "-1", "negative", "seconds", 3),
    (3, "t", "soon", "no number", "plain number", 3),
    (12, "player", "", "blank", "who strikes", 2),
]


@pytest.mark.parametrize(("line", "column", "typed", "reason", "mend", "rows"), CASES)
def test_one_damage(log, checked, line, column, typed, reason, mend, rows):
    log.loc[line, column] = typed
    check = checked(log)
    assert check.rows_refused == rows
    own = check.problems[check.problems["kind"] == "row"]
    assert own["line"].tolist() == [line]
    assert own["column"].tolist() == [column]
    assert own["value"].iloc[0].strip() == typed.strip()
    assert reason in own["reason"].iloc[0]
    assert mend in own["mend"].iloc[0]
    others = check.problems[check.problems["kind"] != "row"]
    assert len(others) == rows - 1
    if column not in ("match", "game", "rally"):  # such a row belongs to no rally at all
        assert set(others["kind"]) == {"with its rally"}
        assert set(others["mend"]) == {f"mend line {line}"}
    assert f"line {line}, {column}" in check.summary()


DOUBTS = [
    # line, column, typed, part of the reason, part of the mend
    (3, "stroke", "", "blank", "write the stroke"),
    (3, "stroke", "drvie", "no known stroke; left blank", "did you mean drive"),
    (3, "stroke", "volley", "no known stroke", "which stroke was volleyed"),
    (3, "stroke", "cross-court", "no known stroke", "which stroke went across"),
    (3, "direction", "diagonal", "no known direction; left blank", "straight, cross"),
    (3, "contact", "half volley", "no known contact", "volley"),
    (3, "balance", "tired", "no known balance", "set, stretched, jammed"),
    (3, "choice", "maybe", "no known choice", "attack, reset"),
    (3, "depth", "corner", "no known depth", "front, middle, back"),
    (3, "opponent place", "gone", "no known opponent_place", "in_front, behind"),
    (3, "own_points", "love", "no whole number from 0", "before the rally"),
    (3, "own_points", "-1", "no whole number from 0", "before the rally"),
]


@pytest.mark.parametrize(("line", "column", "typed", "reason", "mend"), DOUBTS)
def test_an_unknown_word_is_left_blank_and_said(log, checked, line, column, typed, reason, mend):
    if column not in log:
        log[column] = ""
    log.loc[line, column] = typed
    check = checked(log)
    assert check.rows_refused == 0
    row = check.doubts.iloc[0]
    assert len(check.doubts) == 1
    assert (row["line"], row["column"], row["value"]) == (line, column, typed)
    assert reason in row["reason"]
    assert mend in row["mend"]
    assert f"line {line}, {column}" in check.summary()
    name = column.replace(" ", "_")
    own = check.shots.set_index("line").loc[line, name]
    derived = {"choice": "reset", "own_points": 0}
    assert own == derived[column] if column in derived else pd.isna(own)


def test_shot_1_is_the_serve_whatever_its_word(log, checked):
    log.loc[[2, 5], "stroke"] = ["srv", ""]
    check = checked(log)
    assert check.rows_refused == 0
    assert check.doubts.empty
    assert (check.shots.query("shot == 1")["stroke"] == "serve").all()
    folded = check.folded.query("read_as == 'serve, as shot 1'")
    assert sorted(folded["found"]) == ["blank", "srv"]


def test_a_column_of_other_words_is_refused_all_the_same(log, checked):
    log["stroke"] = [f"code {n}" for n in range(12)]
    check = checked(log)
    assert check.rows_used == 0
    assert "no known stroke" in check.problems["reason"].iloc[0]


def test_reading_warns_of_doubts(log):
    log.loc[3, "stroke"] = "drvie"
    with pytest.warns(DoubtfulRowsWarning, match="line 3, stroke = 'drvie'.*did you mean drive"):
        read_shots(log)


def test_repeated_shot(log, checked):
    log.loc[14] = log.loc[3]
    check = checked(log)
    own = check.problems[check.problems["kind"] == "row"]
    assert own["line"].tolist() == [14]
    assert "line 3" in own["reason"].iloc[0]
    assert check.rows_refused == 4


def test_every_mistake_of_a_row_is_named(log, checked):
    log.loc[3, ["side", "gap_cm", "x"]] = ["sideways", "wide", "99"]
    own = checked(log).problems.query("kind == 'row'")
    assert own["column"].tolist() == ["side", "gap_cm", "x"]


@pytest.mark.parametrize(
    ("heading", "typed", "hint"),
    [
        ("gap_m", "35", "looks like centimetres: rename the column gap_cm"),
        ("gap_in", "200", "looks like centimetres"),
        ("gap_m", "3.5", "nearest side wall"),
    ],
)
def test_wrong_unit_is_guessed(log, checked, heading, typed, hint):
    log = log.rename(columns={"gap_cm": heading})
    log[heading] = log[heading].where(log[heading] == "", "0.5")
    log.loc[3, heading] = typed
    problem = checked(log).problems.query("kind == 'row'").iloc[0]
    assert hint in problem["mend"]


@pytest.mark.parametrize(("heading", "factor"), [("gap_cm", 10), ("gap_m", 1), ("gap_in", 1)])
def test_the_mend_quotes_the_cell_of_its_own_line(log, checked, heading, factor):
    typed = [number * factor for number in (130, 135, 140, 145, 150, 155, 160)]
    log = log.drop(columns=["x", "y"]).rename(columns={"gap_cm": heading})
    log.loc[log[heading] != "", heading] = [str(one) for one in typed]
    own = checked(log).problems.query("kind == 'row'")
    assert own["value"].tolist() == [str(one) for one in typed]
    for value, mend in zip(own["value"], own["mend"], strict=True):
        assert f"{value} looks like" in mend


def test_few_gaps_in_another_unit_are_asked_about(log, checked):
    assert checked(log).doubts.empty
    for factor, looks, mend in ((0.01, "metres", "gap_m"), (10, "millimetres", "divide them")):
        typed = pd.to_numeric(log["gap_cm"]) * factor
        short = log.drop(columns=["x", "y"]).assign(gap_cm=typed.where(typed <= 320, 310))
        short["gap_cm"] = short["gap_cm"].where(typed.notna())
        doubts = checked(short).doubts
        assert doubts["line"].tolist() == [3]
        assert f"look like {looks}" in doubts["reason"].iloc[0]
        assert mend in doubts["mend"].iloc[0]


def test_millimetres_that_fit_no_court_are_told(log, checked):
    typed = pd.to_numeric(log["gap_cm"]) * 10
    log["gap_cm"] = typed.where(typed.isna() | (typed > 320), 400)
    own = checked(log).problems.query("kind == 'row'")
    assert own["mend"].str.contains("millimetres").all()


def test_a_gap_on_a_serve_is_ignored_and_listed(log, checked):
    log.loc[2, "gap_cm"] = "none yet"
    log.loc[5, "gap_cm"] = "999"
    check = checked(log)
    assert check.rows_refused == 0
    assert check.shots["gap_m"].isna().sum() == 5
    assert check.folded.query("found == 'gap on a serve'")["rows"].tolist() == [2]


def test_rounding_past_the_middle(log, checked):
    log = log.rename(columns={"gap_cm": "gap_in"})
    log.loc[3, "gap_in"] = "126"  # 3.2004 m
    check = checked(log)
    assert check.rows_refused == 0
    assert check.shots["gap_m"].max() == 3.2
    assert "the middle" in check.folded["read_as"].tolist()


@pytest.mark.parametrize("blank", [["player"], ["match"], ["player", "opponent"]])
def test_columns_that_are_blank_throughout(log, checked, blank):
    log["opponent"] = ""
    log[blank] = ""
    check = checked(log)
    assert check.rows_used == 0
    assert "blank" in check.problems["reason"].iloc[0]


def test_nothing_left_is_counted_too(log, checked):
    log["side"] = "?"
    check = checked(log)
    assert check.rows_used == 0
    assert check.rows_refused == 12
    assert list(check.shots.columns)[:2] == ["match", "game"]


@pytest.mark.parametrize("column", ["match", "player"])
def test_a_column_cleared_on_all_rows(log, checked, column):
    log[column] = ""
    log["opponent"] = ""
    check = checked(log)
    assert check.rows_refused == 12
    assert (check.problems.query("kind == 'row'")["column"] == column).all()
