"""Separated text against what was written into it: cells, lines, and what is told of them."""

import numpy as np
import pytest

from sidewall.errors import LogError
from sidewall.log.delimited import _separator, read_delimited
from sidewall.log.ledger import Folded

HEADINGS = ["match", "game", "rally", "shot", "player", "side", "stroke", "gap_cm", "ending"]
WORDS = ["1", "Elm", "drop", "3,5", "a;b", "", " ", "x y", 'say "so"', "one\ntwo", "1\n\n3", "|"]


def written(cells, separator, rng):
    """A line of cells, with marks where they are needed and here and there where they are not."""
    texts = []
    for cell in cells:
        needed = separator in cell or '"' in cell or "\n" in cell
        marks = needed or (cell.strip() and rng.random() < 0.1)
        texts.append('"' + cell.replace('"', '""') + '"' if marks else cell)
    return separator.join(texts)


@pytest.mark.parametrize("seed", range(500, 540))
def test_what_was_written_is_read(seed):
    rng = np.random.default_rng(seed)
    separator = [",", ";", "\t", "|"][seed % 4]
    width = len(HEADINGS)
    tidy = seed % 3 == 0
    words = WORDS[:9] if tidy else WORDS
    text, line = "", 1
    for _ in range(int(rng.integers(0, 3))):
        text, line = text + str(rng.choice(["", " ", separator * 3])) + "\n", line + 1
    if seed % 5 == 0:
        text, line = text + f"sep={separator}\n\n", line + 2
    text, line = text + written(HEADINGS, separator, rng) + "\n", line + 1
    rows, lines, over, long = [], [], {}, []
    short = empty = 0
    for _ in range(int(rng.integers(0, 9))):
        if rng.random() < 0.15:
            text, line, empty = text + "\n", line + 1, empty + 1
        size = width if tidy else int(rng.choice([width, width - 1, width + 2, width + 1]))
        cells = [str(rng.choice(words)) for _ in range(size)]
        cells[0] = "M1"  # a row that holds something
        text += written(cells, separator, rng) + "\n"
        taken = sum(cell.count("\n") for cell in cells)
        if taken:
            long.append(f"{line} to {line + taken}")
        if any(cell.strip() for cell in cells[width:]):
            over[len(rows)] = separator.join(cells[width:])
        short += size < width
        cells = [cell if cell.strip() else "" for cell in cells]
        rows.append([*cells, ""][:width])
        lines.append(line)
        line += 1 + taken
    if rng.random() < 0.5:
        text = text.removesuffix("\n")
    folded = Folded()
    raw = read_delimited(text.encode(), "log.csv", None, folded)
    assert [name for name, _ in raw.columns] == HEADINGS
    found = [column.distinct[column.codes].tolist() for _, column in raw.columns]
    assert found == [[row[at] for row in rows] for at in range(width)]
    assert raw.lines.tolist() == lines
    assert raw.overfull == over
    assert raw.empty_lines == empty
    assert raw.comma_decimals is (separator != ",")
    told = {"fewer cells than headings": short, "cell over several lines": len(long)}
    counts = {row[1]: row[3] for row in folded.table().to_numpy().tolist()}
    assert counts == {name: count for name, count in told.items() if count}
    assert raw.folded is folded
    if long:
        many = f"lines {', '.join(long)}"
        assert raw.notes == [
            f"A cell in quotation marks goes over several lines: {many}. Each is read as one row."
        ]
    else:
        assert raw.notes == []


@pytest.mark.parametrize("delimiter", ["", ",,", "ab"])
def test_a_delimiter_is_one_character(delimiter):
    with pytest.raises(LogError, match=r"log\.csv: the delimiter must be one character, not"):
        read_delimited(b"match\n", "log.csv", delimiter, Folded())


@pytest.mark.parametrize(
    ("head", "separator"),
    [
        ("match,game;loud", ","),
        ("match;game,loud", ";"),
        ("match", ","),
        ("a;b;c,d", ";"),  # nothing is known: more of them
        ("a,b;c,d;e", ","),  # as many: the first
        ("match;a,b,c,d", ";"),
        ("match\tgame", "\t"),
    ],
)
def test_the_separator_that_makes_most_sense(head, separator):
    assert _separator(head) == separator


@pytest.mark.parametrize(
    ("first", "separator", "line"),
    [(b"sep=;", ";", 2), (b"SEP=|\n\n", "|", 4), (b"sep=", ";", 2), (b" \nsep=; ", ";", 3)],
)
def test_a_separator_that_is_announced(first, separator, line):
    head = separator.join(HEADINGS)
    raw = read_delimited(first + f"\n{head}\nM1".encode(), "log.csv", None, Folded())
    assert [name for name, _ in raw.columns] == HEADINGS
    assert raw.lines.tolist() == [line + 1]


@pytest.mark.parametrize("above", [1, 2, 9, 10])
@pytest.mark.parametrize("known", [4, 5, 9])
def test_a_title_above_the_headings(above, known):
    """Headings are more than half of the columns needed, on the ten lines from the title's."""
    title = "Evening\n" + "note;x\n" * (above - 1)
    text = title + ";".join(HEADINGS[:known]) + "\n"
    if above < 10 and known > 4:
        gone = "delete line 1." if above == 1 else f"delete lines 1 to {above}."
        told = rf"line 1 looks like a title \('Evening'\), and line {above + 1} holds .* {gone}"
        with pytest.raises(LogError, match=told):
            read_delimited(text.encode(), "log.csv", None, Folded())
    else:
        raw = read_delimited(text.encode(), "log.csv", None, Folded())
        assert raw.columns[0][0] == "Evening"


@pytest.mark.parametrize("text", ["", "\n", " ,;\n\t\n", "sep=;\n", "sep=;\n\n;;\n"])
def test_nothing_to_read(text):
    with pytest.raises(LogError, match=r"log\.csv: the file is empty\. The first line holds"):
        read_delimited(text.encode(), "log.csv", None, Folded())


def stray(*lines):
    text = "\n".join([",".join(HEADINGS), *lines, ""])
    folded = Folded()
    raw = read_delimited(text.encode(), "log.csv", None, folded)
    rows = list(zip(*(c.distinct[c.codes].tolist() for _, c in raw.columns), strict=True))
    return raw, rows, {row[1]: row[3] for row in folded.table().to_numpy().tolist()}


@pytest.mark.parametrize("count", [1, 10, 11])
def test_marks_that_belong_to_no_cell(count):
    row = 'M1,1,1,1,"Elm,forehand,serve,,'
    raw, rows, told = stray(*[row] * count)
    assert rows == [tuple(row.split(","))] * count
    assert told == {"stray quotation mark": count}
    listed = ", ".join(str(2 + at) for at in range(min(count, 10)))
    more = " and 1 more" if count > 10 else ""
    s = "s" if count > 1 else ""
    assert raw.notes == [
        f"A quotation mark that belongs to no cell stands on line{s} {listed}{more} and is read as "
        "an ordinary character. Delete it, or double it within a cell in marks."
    ]


@pytest.mark.parametrize(("lines", "joined"), [(199, True), (200, False)])
def test_a_cell_goes_over_two_hundred_lines_and_no_more(lines, joined):
    note = "\n".join(["x"] * lines)
    _, rows, told = stray(f'M1,1,1,1,Elm,forehand,serve,,"{note}\nend"', "M1")
    assert (len(rows) == 2) is joined
    assert ("cell over several lines" in told) is joined


@pytest.mark.parametrize(("second", "joined"), [(7, False), (6, True)])
def test_a_cell_does_not_swallow_a_row(second, joined):
    """Of nine columns seven make a row by themselves, as two lines of one row never can."""
    lines = 'M1,1,1,1,Elm,forehand,"serve', ",".join("abcdefg"[:second]) + '"'
    _, rows, _ = stray(*lines)
    assert (len(rows) == 1) is joined
