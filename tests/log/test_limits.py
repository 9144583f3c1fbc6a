"""Numbers of a log at their limits: the last that passes, and the first that does not."""

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log import check_log
from sidewall.log.rows import _wide_hint

HALF_CM = 320
ASK = "check the value and the unit in the heading; leave unknown ones blank"


def rallies(gaps, heading="gap_cm", **more):
    """A log of a serve and a drive a rally, with this gap; further columns for the drives."""
    rows = []
    for rally, gap in enumerate(gaps, 1):
        one = {"match": "M1", "game": 1, "rally": rally}
        rows.append({**one, "shot": 1, "player": "Elm", "side": "forehand", "stroke": "serve"})
        rows.append({**one, "shot": 2, "player": "Fir", "side": "backhand", "stroke": "drive"})
        rows[-1] |= {heading: gap, "ending": "tin"}
        rows[-1] |= {name: cells[rally - 1] for name, cells in more.items()}
    return pd.DataFrame(rows)


def own_problems(check):
    own = check.problems[check.problems["kind"] == "row"]
    return own[["line", "column", "reason", "mend"]].to_numpy().tolist()


def unit_doubts(check):
    doubts = check.doubts[check.doubts["reason"].str.contains("gaps look like")]
    return doubts[["line", "column", "reason", "mend"]].to_numpy().tolist()


METRES = "rename the column gap_m if they are"
MILLIMETRES = "divide them by 10 if they are"
OTHER = "check what they were measured in, and name the column after it"
FEET = OTHER + ", or multiply them by 12 if they are feet"
NAMES = {"cm": "centimetres", "in": "inches", "m": "metres"}


@pytest.mark.parametrize(
    ("unit", "gaps", "looks", "middle", "mend"),
    [
        ("cm", [0.3, 0.3], None, "", ""),
        ("cm", [0.3, 0.3, 0.3], "metres", "0.3", METRES),
        ("cm", ["", 0.3, 0.3, 5], "metres", "0.3", METRES),
        ("cm", [0.3, 0.3, 5.01], None, "", ""),
        ("cm", [0, 0, 0], None, "", ""),
        ("in", [0.3, 0.3, 0.3], None, "", ""),
        ("m", [0.003] * 3, None, "", ""),
        ("cm", [5] * 29, "metres", "5", METRES),
        ("cm", [160, 160, 10], None, "", ""),
        ("cm", [160.1, 160.1, 10], "millimetres", "160.1", MILLIMETRES),
        ("cm", [320, 160.1, 10], "millimetres", "160.1", MILLIMETRES),
        ("m", [2, 2, 2], None, "", ""),
        ("m", [0.05] * 16 + [1] * 14, "another unit", "5", OTHER),
        ("m", [0.05] * 16 + [1] * 13, None, "", ""),  # twenty-nine
        ("m", [0.051] * 16 + [1] * 14, None, "", ""),
        ("m", [0.05] * 30, None, "", ""),  # all alike
        ("m", [2.5] * 16 + [1] * 14, None, "", ""),
        ("m", [2.51] * 16 + [1] * 14, "another unit", "251", OTHER),
        ("in", [1] * 16 + [40] * 14, "another unit", "2.54", FEET),
        ("cm", [5] * 16 + [40] * 14, "another unit", "5", OTHER),
    ],
)
def test_gaps_that_look_like_another_unit(unit, gaps, looks, middle, mend):
    doubts = unit_doubts(check_log(rallies(gaps, f"gap_{unit}")))
    if looks is None:
        assert doubts == []
        return
    known = [gap for gap in gaps if gap != ""]
    first = 3 + 2 * gaps.index(known[0])
    told = f"the {len(known)} gaps look like {looks}: read as {NAMES[unit]}, "
    told += f"the middle one is {middle} cm"
    assert doubts == [[first, f"gap_{unit}", told, mend]]


@pytest.mark.parametrize(
    ("unit", "gaps", "refused"),
    [
        ("cm", [5] * 30, "none of 30 gaps in 'gap_cm' is farther from the wall than 5.0 cm"),
        ("cm", [0] * 29 + [0.1], "none of 30 gaps in 'gap_cm' is farther from the wall than 0.1"),
        ("in", [1.9] * 31, "none of 31 gaps in 'gap_in' is farther from the wall than 4.8 cm"),
        ("cm", [5] * 29, None),
        ("cm", [5] * 29 + [""], None),
        ("cm", [5.01] * 30, None),
        ("cm", [0] * 30, None),
        ("m", [0.05] * 30, None),
    ],
)
def test_a_column_of_gaps_that_never_leaves_the_wall(unit, gaps, refused):
    table = rallies(gaps, f"gap_{unit}")
    if refused is None:
        assert check_log(table).rows_in == len(table)
        return
    with pytest.raises(LogError, match=refused):
        check_log(table)


def test_gaps_up_to_the_middle_and_a_little_past():
    gaps = [0, 320, 320.5, 321, 321.1, -0.1, 10]
    check = check_log(rallies(gaps))
    struck = check.shots[check.shots["shot"] == 2]
    assert struck["gap_m"].tolist() == [0, 3.2, 3.2, 3.2, 0.1]
    folded = check.folded.set_index("read_as")
    assert folded.loc["the middle"].tolist() == ["gap_cm", "a little past the middle", 2]
    wide = "the nearest side wall is never farther than 3.2 m, half the width of the court"
    measure = "measure to the nearest side wall, not across the court, and check the unit"
    assert own_problems(check) == [
        [11, "gap_cm", wide, measure],
        [13, "gap_cm", "a gap cannot be negative", "write the distance to the wall"],
    ]


def hint(text, own, unit="cm"):
    if text == "mm":
        return f"{own:g} looks like millimetres: divide all gaps by 10, or mend the value"
    if text == "":
        return "measure to the nearest side wall, not across the court, and check the unit"
    names = {**NAMES, "boards": "floorboards"}
    return (
        f"the heading says {names[unit]}, but {own:g} looks like {names[text]}: "
        f"rename the column gap_{text} if all are, or mend the value"
    )


@pytest.mark.parametrize(
    ("unit", "typical", "own", "most", "looks"),
    [
        ("m", 35, 35, False, "cm"),
        ("m", 6.4, 6.4, False, "cm"),
        ("m", 6.39, 6.39, False, ""),
        ("m", 6.39, 40, False, ""),
        ("m", 40, 6.39, False, "cm"),
        ("m", 35, 321, False, "cm"),
        ("m", 35, 321.5, False, ""),
        ("m", 321.5, 35, False, ""),
        ("in", 130, 130, True, "cm"),
        ("in", 321, 321, True, "cm"),
        ("in", 322, 322, True, ""),
        ("cm", 400, 400, True, "mm"),
        ("cm", 400, 400, False, ""),
        ("cm", 400, 3200, True, "mm"),
        ("cm", 400, 3201, True, ""),
        ("cm", 3201, 400, True, ""),
        ("m", 1000, 1000, True, ""),
    ],
)
def test_what_a_gap_that_is_too_wide_looks_like(unit, typical, own, most, looks):
    assert _wide_hint(unit, typical, own, 3.2, most) == hint(looks, own, unit)


@pytest.mark.parametrize(
    ("wide", "others", "looks"), [(3, 2, "mm"), (2, 2, ""), (2, 3, ""), (1, 0, "mm")]
)
def test_millimetres_are_named_where_most_gaps_are_too_wide(wide, others, looks):
    check = check_log(rallies([400] * wide + [30] * others + [""]))
    mends = [row[3] for row in own_problems(check) if "nearest side wall" in row[2]]
    assert mends == [hint(looks, 400)] * wide


def test_each_gap_that_is_too_wide_has_its_own_mend_beside_the_middle_one():
    check = check_log(rallies([30, 50, 700, 1], "gap_m"))
    assert [row[3] for row in own_problems(check)] == [
        hint("cm", 30, "m"),
        hint("cm", 50, "m"),
        hint("", 700, "m"),
    ]


@pytest.mark.parametrize(
    ("column", "limit"),
    [("x", 6.4), ("bounce_x", 6.4), ("opponent_x", 6.4), ("y", 9.75), ("bounce_y", 9.75),
     ("opponent_y", 9.75), ("wall_z", 5.64)],
)  # fmt: skip
def test_places_are_on_the_court(column, limit):
    off = f"off the court: 0 to {limit:g} m"
    cells = [0, limit, "", -0.01, limit + 0.01]
    check = check_log(rallies([30] * 5, **{column: cells}))
    assert own_problems(check) == [[9, column, off, ASK], [11, column, off, ASK]]
    found = check.shots.loc[check.shots["shot"] == 2, f"{column}_m"]
    np.testing.assert_array_equal(found, [0, limit, np.nan])
    # those off the court tell their unit by the middle one of them
    cm = f"{column}_m is in metres, but the values look like centimetres: rename it {column}_cm"
    for cells, mend in (
        ([3 * limit, 3 * limit, 1], ASK),
        ([3.01 * limit] * 2 + [1], cm),
        ([3.01 * limit] * 2 + [-1], cm),
        ([3.01 * limit, -1, -1], ASK),
    ):
        check = check_log(rallies([30] * 3, **{column: cells}))
        assert {row[3] for row in own_problems(check)} == {mend}
    in_cm = check_log(rallies([30], **{f"{column}_cm": [101 * 3 * limit]}))
    assert own_problems(in_cm) == [[3, f"{column}_cm", off, ASK]]


def test_times_are_not_negative():
    check = check_log(rallies([30] * 3, t=[0, -0.1, "1:02"]))
    negative = ["a time cannot be negative", "write seconds into the video"]
    assert own_problems(check) == [[5, "t", *negative]]
    assert check.shots["t_s"].dropna().tolist() == [0, 62]


@pytest.mark.parametrize("column", ["game", "rally", "shot"])
@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        (1_000_001, "'1000001' is no whole number from 1"),
        (0, "'0' is no whole number from 1"),
        (1.5, "'1.5' is no whole number from 1"),
        ("", "blank"),
        ("-", "blank"),
        ("two", "'two' is no whole number from 1"),
    ],
)
def test_counts(column, cell, reason):
    table = rallies([30]).astype(object)
    table.loc[1, column] = cell
    many = {"game": "games", "rally": "rallies", "shot": "shots"}[column]
    own = [row for row in own_problems(check_log(table)) if row[0] == 3]
    assert own == [[3, column, reason, f"number the {many} 1, 2, 3 and so on"]]


def test_the_greatest_count_and_the_greatest_score():
    table = rallies([30]).assign(game=1_000_000, rally=1_000_000)
    assert check_log(table).shots["rally"].tolist() == [1_000_000] * 2
    for cell, wrong in ((0, False), (1_000_000, False), (1_000_001, True), (-1, True), (1.5, True)):
        check = check_log(rallies([30], own_games=[cell]))
        doubts = check.doubts[check.doubts["column"] == "own_games"]
        told = f"'{cell}' is no whole number from 0; left blank"
        assert doubts["reason"].tolist() == ([told] if wrong else [])
