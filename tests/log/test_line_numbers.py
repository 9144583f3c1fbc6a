"""A problem points at the line where an editor shows it."""

import pytest

from sidewall.errors import LogError
from sidewall.log import read_shots


@pytest.fixture
def broken(text):
    return text.replace("M1,1,2,2,Hazel,backhand,boast", "M1,1,2,2,Hazel,backhand,boost")


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


def test_open_quotation_mark(text, csv):
    with pytest.raises(LogError, match=r"line [0-9]+.*quotation mark"):
        read_shots(csv(text.replace(",boast,", ',"boast,')))


def test_frame_rows_count_as_in_a_file(log, checked):
    log.loc[6, "stroke"] = "boost"
    assert named(checked(log)) == [6]
