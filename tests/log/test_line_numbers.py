"""A problem points at the line where an editor shows it."""

import pytest

from sidewall.errors import LogError
from sidewall.log import check_log, read_shots


@pytest.fixture
def broken(text):
    return text.replace("M1,1,2,2,Hazel", "M1,1,2,boost,Hazel")


def named(check):
    return check.problems.query("kind == 'row'")["line"].tolist()


def true_line(text):
    return next(at for at, line in enumerate(text.splitlines(), 1) if "boost" in line)


@pytest.mark.parametrize("blank", ["", ",,,,", "   ", " , ,"])
@pytest.mark.parametrize("places", [[1], [1, 2, 4], [0], [0, 0, 3]])
def test_blank_lines(broken, csv, checked, blank, places):
    lines = broken.splitlines()
    for place in sorted(places, reverse=True):
        lines.insert(place, blank)
    text = "\n".join(lines) + "\n\n"
    check = checked(csv(text))
    assert named(check) == [true_line(text)]
    assert check.rows_in == 12
    listed = check.folded.query("read_as == 'not a row'")["rows"].sum()
    assert listed == sum(place > 0 for place in places) + 1


def test_quoted_line_breaks(broken, csv, checked):
    lines = broken.splitlines()
    lines[0] += ",note"
    lines[1] += ',"first\nsecond, with ""quotes""\n\nfourth"'
    lines[2:] = [line + "," for line in lines[2:]]
    text = "\n".join(lines)
    check = checked(csv(text))
    assert named(check) == [true_line(text)]
    assert check.rows_in == 12
    assert "over several lines: lines 2 to 5." in check.notes[0]


def test_line_break_in_a_heading(broken, csv, checked):
    text = broken.replace("gap_cm", '"gap\n(cm)"', 1)
    assert named(checked(csv(text))) == [true_line(text)]


def test_short_lines_are_filled_with_blanks(broken, csv, checked):
    lines = [line.rstrip(",") for line in broken.splitlines()]
    lines[1:] = [line.rsplit(",", 1)[0] if "," in line else line for line in lines[1:]]
    text = "\n".join(lines)
    check = checked(csv(text))
    assert named(check) == [true_line(text)]
    assert "blank at the end" in check.folded["read_as"].tolist()


def test_extra_separators_at_the_end_are_no_cells(broken, csv, checked):
    lines = broken.splitlines()
    lines[3] += ",,"
    text = "\n".join(lines)
    assert named(checked(csv(text))) == [true_line(text)]


def test_stray_quotation_mark(text, csv, checked):
    text = text.replace("gap_cm", "gap_in").replace(",35,", ',14",').replace(",120,", ",47,")
    check = checked(csv(text))
    assert check.rows_refused == 0
    assert "the number alone" in check.folded["read_as"].tolist()


def test_open_quotation_mark(text, csv, checked):
    check = checked(csv(text.replace(",boast,", ',"boast,')))
    assert check.rows_used == 12
    assert "stands on line 6 and is read as an ordinary character" in check.notes[0]
    assert check.notes[0] in check.summary()
    with pytest.raises(LogError, match=r"line 1: a quotation mark in the headings"):
        read_shots(csv(text.replace("gap_cm", '"gap_cm', 1)))


@pytest.mark.parametrize("place", ["last", "middle", "first"])
@pytest.mark.parametrize(
    ("opening", "closing", "read_plainly"),
    # A mark within a cell is an ordinary character to every reader.
    [('"nice', 'good"', 2), ('"nice', 'so "good"', 1), ('"', '"', 2), ('a "nice"', '"good', 1)],
)
def test_stray_marks_swallow_no_rows(text, csv, checked, opening, closing, read_plainly, place):
    """Twelve rows are written; a mark in one note and another some rows later change that not."""
    rows = [line.split(",") for line in text.splitlines()]
    at = {"last": 17, "middle": 9, "first": 0}[place]
    for line, row in enumerate(rows, 1):
        row.insert(at, "note" if line == 1 else {4: opening, 9: closing}.get(line, ""))
    check = checked(csv("\n".join(map(",".join, rows))))
    assert check.rows_in == check.rows_used == 12
    assert check.shots["line"].tolist() == list(range(2, 14))
    assert "quotation mark" in check.notes[0]
    stray = check.folded.query("found == 'stray quotation mark'")["rows"].tolist()
    assert stray == [read_plainly]


def test_marks_that_join_two_cells_of_one_row(text, csv, checked):
    broken = text.replace("35,,set,,,0.35", '35,"",set,,,0.35').replace(",boast,,", ',"boast,",')
    check = checked(csv(broken))
    assert check.rows_in == check.rows_used == 12
    assert "stands on line 6" in check.notes[0]


@pytest.mark.parametrize("heading", ["x" * 200_000, '"' + "x" * 200_000 + '"'])
def test_a_heading_longer_than_any_cell(text, csv, checked, heading):
    check = checked(csv(text.replace("balance", heading, 1)))
    assert check.rows_in == 12
    assert "balance" not in check.shots
    with pytest.raises(LogError, match=r"line 1: a heading of 2\d\d,\d+ characters") as caught:
        check_log(csv(text.replace("balance", '"a' + "x" * 200_000 + '\nb"', 1)))
    assert len(str(caught.value)) < 1_000


def test_holes_in_the_numbers_of_rallies_are_told(text, csv, checked):
    lines = text.splitlines()
    check = checked(csv("\n".join(line for line in lines if not line.startswith("M1,1,2,"))))
    assert check.rows_used == 10
    (doubt,) = check.doubts.query("column == 'rally'").itertuples()
    assert (doubt.line, doubt.value) == (5, "3")
    assert "rally 2 is missing" in doubt.reason
    assert "line 5, rally = '3'" in check.summary()


def test_numbers_that_run_on_through_the_match_have_no_hole(log, checked):
    log.loc[7:10, ["game", "rally"]] = ["2", "3"]
    assert checked(log).doubts.empty
    log.loc[7:10, "rally"] = "1"
    assert checked(log).doubts.empty
    log.loc[7:10, ["game", "rally"]] = ["4", "4"]
    assert checked(log).doubts["reason"].tolist() == ["games 2 to 3 are missing before this one"]
    log.loc[7:10, ["game", "rally"]] = ["2", "5"]
    (reason,) = checked(log).doubts["reason"]
    assert reason == (
        "rallies are missing: a game begins with rally 1, or with 3 where numbers run on"
    )


def test_frame_rows_count_as_in_a_file(log, checked):
    log.loc[6, "shot"] = "boost"
    assert named(checked(log)) == [6]
