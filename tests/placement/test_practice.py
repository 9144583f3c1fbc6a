import warnings
from io import StringIO

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f

from sidewall.errors import DataError, LogError, RefusedRowsWarning, UnitError
from sidewall.placement import (
    balls_needed,
    check_practice,
    compare_practice,
    practice_table,
    read_practice,
)

TEXT = """Session,Ball,Target,Bounce x (cm),bounce_y,Result,stroke
week 1,1,Back left,40,7.5,,drive
week 1,2,back left,95,7.9,,drive
week 1,3,back left,,,tin,drive
week 1,4,BACK LEFT,30,8.0,out,drive
week 2,1,back left,20,7.7,,length
"""


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "drill.csv"
    path.write_text(TEXT, encoding="utf-8")
    return path


def test_a_drill_is_read(path):
    balls = read_practice(path)
    assert balls["on_target"].tolist() == [1.0, 0.0, 0.0, 0.0, 1.0]
    assert balls["error_out_m"].tolist()[:2] == pytest.approx([0.0, 0.55])
    assert balls["error_out_m"].isna().tolist() == [False, False, True, True, False]
    assert balls["stroke"].tolist() == ["drive"] * 5
    assert balls["line"].tolist() == [2, 3, 4, 5, 6]


def test_what_stands_under_headings_of_their_own_is_left_alone():
    notes = "Weather," + TEXT.replace("\n", "\ndry,")[: -len("dry,")]
    frame = pd.read_csv(StringIO(notes), dtype=str, keep_default_na=False)
    pd.testing.assert_frame_equal(
        read_practice(frame), read_practice(frame.drop(columns="Weather"))
    )
    folded = check_practice(frame).folded
    assert ("Weather", "(column)", "not used", 5) in [*folded.itertuples(index=False, name=None)]


def test_players_are_those_that_the_log_names(tmp_path, path):
    assert "player" not in read_practice(path)
    names = ["Player", "Rowan", "Hazel", "rowan", "Hazel", "Rowan"]
    lines = [f"{name},{line}" for name, line in zip(names, TEXT.splitlines(), strict=True)]
    (tmp_path / "named.csv").write_text("\n".join(lines), encoding="utf-8")
    balls = read_practice(tmp_path / "named.csv")
    assert balls["player"].tolist() == ["Rowan", "Hazel", "Rowan", "Hazel", "Rowan"]


def test_a_target_may_be_given_by_its_place():
    frame = pd.DataFrame(
        {
            "session": ["a", "a", "b"],
            "target_x": 6.0,
            "target_y": 8.0,
            "target_radius_cm": 50,
            "bounce_x": [5.8, 5.0, 6.0],
            "bounce_y": [8.1, 8.0, 8.5],
        }
    )
    balls = read_practice(frame)
    assert balls["on_target"].tolist() == [1.0, 0.0, 1.0]
    assert balls["error_out_m"].tolist() == pytest.approx([0.2, 1.0, 0.0])  # off the right wall
    assert set(balls["target"]) == {"6, 8 m, radius 0.5 m"}


@pytest.mark.parametrize(
    ("change", "column", "reason"),
    [
        (("40,7.5", "400,75"), "bounce_y", "off the court"),
        (("Back left,40", "corner,40"), "Target", "'corner' is no known target"),
        (("40,7.5,,", ",,,"), "Bounce x (cm)", "the bounce is not given"),
        (("week 1,1", ",1"), "Session", "blank"),
        (("week 1,2", "week 1,1"), "Ball", "was there before"),
        ((",tin,", ",winner let,"), "Result", "is no known ending"),
        ((",tin,", ",stroke,"), "Bounce x (cm)", "the bounce is not given"),
        (("7.9,,", "7.9,let,"), "Result", "has no such ending"),
        (("40,7.5", "wide,7.5"), "Bounce x (cm)", "is no number"),
    ],
)
def test_wrong_rows_are_refused_with_reason_and_mend(tmp_path, change, column, reason):
    path = tmp_path / "drill.csv"
    path.write_text(TEXT.replace(*change, 1), encoding="utf-8")
    check = check_practice(path)
    assert check.rows_in == 5 == check.rows_used + check.rows_refused
    assert check.rows_refused == 1
    problem = check.problems[check.problems["reason"].str.contains(reason, regex=False)].iloc[0]
    assert problem["column"] == column
    assert problem["mend"]
    with pytest.warns(RefusedRowsWarning, match="1 of 5 rows refused"):
        read_practice(path)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        (("Bounce x (cm)", "across"), LogError, "required column missing: bounce_x"),
        (("Bounce x (cm)", "bounce_x_boards"), UnitError, "floorboards"),
        (("Target", "Aim"), LogError, "what was aimed at"),
        (("stroke\n", "bounce_y_cm\n"), LogError, "both stand for bounce_y"),
    ],
)
def test_a_log_that_cannot_be_read_says_why(tmp_path, change, error, words):
    path = tmp_path / "drill.csv"
    path.write_text(TEXT.replace(*change, 1), encoding="utf-8")
    with pytest.raises(error, match=words):
        read_practice(path)


def test_no_row_left_is_an_error(tmp_path):
    path = tmp_path / "drill.csv"
    path.write_text("session,target,bounce_x,bounce_y\na,nowhere,1,1\n", encoding="utf-8")
    with pytest.raises(LogError, match="1 of 1 rows refused"):
        read_practice(path)


def drill(rng, session, balls, out, spread):
    return pd.DataFrame(
        {
            "session": session,
            "target": "back left",
            "bounce_x": np.clip(0.4 + rng.normal(out, spread, balls), 0, 6.4),
            "bounce_y": np.clip(7.74 + rng.normal(0, 2 * spread, balls), 0, 9.75),
        }
    )


def test_before_and_after():
    rng = np.random.default_rng(3)
    log = pd.concat([drill(rng, "before", 300, 0.3, 0.4), drill(rng, "after", 300, 0.05, 0.2)])
    balls = read_practice(log)
    by = {name: part for name, part in balls.groupby("session", observed=True)}
    table = compare_practice(by["before"], by["after"])
    share, out = table.loc["share on target"], table.loc["error out (m)"]
    assert share["change_low"] > 0
    assert out["change_low"] < out["change"] < out["change_high"] < 0
    spread = table.loc["spread long (m)"]
    assert spread["change_low"] < 0.5 < spread["change_high"]
    assert (table["n_before"] == 300).all()
    sessions = practice_table(balls, ["session"]).set_index("session")
    assert sessions.loc["after", "share"] == pytest.approx(share["after"])
    assert sessions.loc["after", "n_balls"] == 300
    with pytest.raises(DataError, match="no balls after"):
        compare_practice(by["before"], by["after"].head(0))


def test_the_power_is_what_was_asked_for():
    n = balls_needed(0.4, 0.6, power=0.8)
    rng = np.random.default_rng(4)
    a, b = rng.binomial(n, 0.4, 20_000) / n, rng.binomial(n, 0.6, 20_000) / n
    mean = (a + b) / 2
    seen = np.abs(b - a) / np.sqrt(mean * (1 - mean) * 2 / n) > 1.959964
    assert seen.mean() == pytest.approx(0.8, abs=0.02)


def test_more_is_needed_for_less():
    assert balls_needed(0.4, 0.5) > balls_needed(0.4, 0.6)
    assert balls_needed(0.4, 0.6) == balls_needed(0.6, 0.4)
    for wrong in ((0.4, 0.4), (0.0, 0.4), (0.4, 40)):
        with pytest.raises(DataError):
            balls_needed(*wrong)


def test_a_clean_log_warns_of_nothing(path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_practice(path)


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_a_ratio_of_spreads_has_the_interval_of_the_f_test(level):
    """Moore, McCabe & Craig, Introduction to the Practice of Statistics, 7.3; from memory."""
    rng = np.random.default_rng(5)
    before, after = (
        read_practice(drill(rng, session, balls, 0.2, spread))
        for session, balls, spread in (("before", 25, 0.4), ("after", 40, 0.2))
    )
    found = compare_practice(before, after, level=level).loc["spread long (m)"]
    squared = (after["error_long_m"].std() / before["error_long_m"].std()) ** 2
    n = after["error_long_m"].notna().sum(), before["error_long_m"].notna().sum()
    ends = squared / f(n[0] - 1, n[1] - 1).ppf([0.5 + level / 2, 0.5 - level / 2])
    expected = np.sqrt([squared, *ends])
    assert found[["change", "change_low", "change_high"]].to_numpy() == pytest.approx(expected)


@pytest.mark.filterwarnings("ignore:Precision loss")
def test_spreads_that_cannot_be_told_are_not_compared():
    rng = np.random.default_rng(6)
    many, one = (read_practice(drill(rng, "a", n, 0.2, 0.3)) for n in (30, 1))
    still = many.assign(error_long_m=0.1)
    ends = ["change", "change_low", "change_high"]
    for before, after in ((many, one), (one, many), (still, many)):
        assert compare_practice(before, after).loc["spread long (m)", ends].isna().all()
