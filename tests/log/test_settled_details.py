"""Details of players and matches: dates and lengths on their limits, one value for each owner."""

import datetime as dt
from collections import Counter

import numpy as np
import openpyxl
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log import check_log
from sidewall.log.columns import Heading
from sidewall.log.dates import parse_dates
from sidewall.log.details import read_table, understand_detail
from sidewall.log.pseudonyms import _number
from sidewall.log.raw import RawColumn, RawLog
from sidewall.log.workbook import _chosen, read_workbook


@pytest.mark.parametrize(
    ("cells", "days"),
    [
        (["2026-03-31", "2026/3/1", "2026.12.31", "20260331", "2026-03-31T07:00", ""],
         [(3, 31), (3, 1), (12, 31), (3, 31), (3, 31), None]),
        (["2026-02-29", "2026-13-01", "31.13.2026", "day", "1-2.2026"], [None] * 5),
        (["31.3.2026", "3.4.2026", "13.12.2026"], [(3, 31), (4, 3), (12, 13)]),
        (["3/4/2026", "4/4/2026"], [None, (4, 4)]),
        (["3/4/2026", "13/4/2026"], [(4, 3), (4, 13)]),
        (["3/4/2026", "4/13/2026"], [(3, 4), (4, 13)]),
        (["3-4-2026", "12/13/2026"], [(3, 4), (12, 13)]),
        (["3/4/2026", "12/12/2026"], [None, (12, 12)]),
        (["3/4/2026", "13.4.2026"], [None, (4, 13)]),  # full stops do not tell
        (["3/4/2026", "13/4/2026", "4/13/2026"], [None, None, None]),
        (["-", "n/a"], [None, None]),
    ],
)  # fmt: skip
def test_dates(cells, days):
    found, mends = parse_dates(np.array(cells, dtype=object))
    assert found == [day and dt.date(2026, *day) for day in days]
    wrong = [at for at, day in enumerate(days) if day is None and cells[at] not in ("", "-", "n/a")]
    assert mends == dict.fromkeys(wrong, "write the date as year-month-day, such as 2026-03-31")


@pytest.mark.parametrize(
    ("name", "unit", "cells", "least", "most"),
    [
        ("tin_height", "cm", [9.9, 10, 100, 100.1], 0.1, 1),
        ("board_width", "cm", [1.9, 2, 50, 50.1], 0.02, 0.5),
        ("tin_height", "m", [0.09, 0.1, 1, 1.01], 0.1, 1),
    ],
)
def test_lengths_that_are_plausible(name, unit, cells, least, most):
    column = RawColumn.of([*cells, "", "x"])
    raw = RawLog([(name, column)], np.arange(6) + 2, "a table")
    found = understand_detail(name, column, Heading(0, name, unit), raw)
    assert found.value[1:3] == [least, most]
    assert [found.value[at] for at in (0, 3, 4, 5)] == [None] * 4
    mend = f"it should lie between {least:g} and {most:g} m: check the unit"
    assert found.reasons == {
        **{at: f"{cells[at]} {unit} is not plausible" for at in (0, 3)},
        5: "'x' is no number",
    }
    assert found.mends == {0: mend, 3: mend, 5: "write a plain number, such as 35 or 3.5"}
    assert found.read_as == {}


def test_hands():
    cells = ["right", "L", "", "-", "both"]
    column = RawColumn.of(cells)
    raw = RawLog([("hand", column)], np.arange(5) + 2, "a table")
    found = understand_detail("hand", column, Heading(0, "hand"), raw)
    assert found.value[:5] == ["right", "left", None, None, None]
    assert (found.read_as, found.reasons) == ({1: "left"}, {4: "'both' is no hand"})


@pytest.mark.parametrize("seed", range(80, 100))
def test_one_value_for_each_owner(seed):
    """Of a table if it says so, else the one on most rows, and of as many that which sorts first.

    Groups are numbered as they first come among the cells.
    """
    rng = np.random.default_rng(seed)
    names = ["Elm", "Fir", "Oak", "Yew"]
    rows = []
    for rally in range(1, 13):
        one, two = (names[:2], names[2:])[rally > 6]
        match = f"M{1 + (rally > 6)}"
        for shot in (1, 2):
            row = {"match": match, "game": 1, "rally": (rally - 1) % 6 + 1, "shot": shot}
            row |= {"player": (two, one)[shot % 2], "side": "forehand", "gap_cm": 30}
            row |= {"stroke": ("drive", "serve")[shot % 2], "ending": "" if shot == 1 else "tin"}
            row["group"] = str(rng.choice(["a", "b", ""], p=[0.5, 0.3, 0.2]))
            if seed % 4 == 1 and row["player"] == "Elm":
                row["group"] = ""  # the first has none
            rows.append(row)
    given = {"Fir": "c", "Yew": "a"} if seed % 2 else {}
    table = pd.DataFrame({"player": list(given), "group": list(given.values())})
    check = check_log(pd.DataFrame(rows), players=table if given else None)
    order = list(dict.fromkeys(row["group"] for row in rows if row["group"]))
    settled = {}
    for name in names:
        counts = Counter(row["group"] for row in rows if row["player"] == name and row["group"])
        best = sorted(counts, key=lambda one: (-counts[one], order.index(one)))
        settled[name] = given.get(name, best[0] if best else "")
    wrong = [
        (at + 2, f"{settled[row['player']]} elsewhere for the same player")
        for at, row in enumerate(rows)
        if row["group"] and row["group"] != settled[row["player"]]
    ]
    own = check.problems[check.problems["column"] == "group"]
    assert list(zip(own["line"], own["reason"], strict=True)) == wrong
    ends = "and the player table agree" if given else "agree"
    mends = {f"a player has one group: make the rows {ends}"} if wrong else set()
    assert set(own["mend"]) == mends
    used = check.shots[["player", "group"]].astype(object)
    used = used.where(used.notna(), "")
    assert all(settled[one] == group for one, group in used.itertuples(index=False))


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"player": ["Elm", "elm "], "hand": ["right", "left"]},
         "line 3: left here, but right on an earlier line. Keep one line for each."),
        ({"player": ["Elm", "Fir"], "hand": ["right", "both"]}, "line 3: 'both' is no hand. Mend"),
        ({"player": ["Elm"], "hitter": ["Elm"]}, "the headings 'player' and 'hitter' both stand"),
        ({"who": ["Elm"]}, "has no column player. The headings found are: 'who'."),
    ],
)  # fmt: skip
def test_tables_that_are_refused(table, told):
    with pytest.raises(LogError) as caught:
        read_table(pd.DataFrame(table), "player", ("hand",))
    assert told in str(caught.value)


def test_a_table_of_players():
    table = {"player": ["Elm", "", "FIR", "Elm"], "Hand": ["R", "left", "", "right"], "group": "a"}
    found = read_table(pd.DataFrame(table), "player", ("hand", "group", "initials"))
    assert found == {"hand": {"elm": "right"}, "group": {"elm": "a", "fir": "a"}}
    assert read_table(None, "player", ("hand",)) == {}


@pytest.mark.parametrize(
    ("value", "number"),
    [(3.0, 3), (3.5, 3.5), (np.nan, None), (-2.0, -2), (1e15, 1e15), (999_999_999_999_999.0,
     999_999_999_999_999)],
)  # fmt: skip
def test_numbers_as_they_are_written(value, number):
    found = _number(value)
    assert (found, type(found)) == (number, type(number))


NEEDED = ["a", "b", "c", "d"]


def lacking(headings):
    return [name for name in NEEDED if name not in headings]


class _Stub:
    """A workbook of sheets whose headings stand in these rows."""

    source = "log.xlsx"

    def __init__(self, **sheets):
        self.tabs = [_Sheet(title, rows) for title, rows in sheets.items()]


class _Sheet:
    def __init__(self, title, rows):
        self.title, self.cells = title, rows
        self.first = next((at for at, row in enumerate(rows) if any(row)), None)

    def headings(self, row=None):
        at = self.first if row is None else row
        return [] if at is None else [cell for cell in self.cells[at] if cell]


FULL, HALF, ONE = ["abcd"], ["ab"], ["a"]


@pytest.mark.parametrize(
    ("sheets", "chosen", "told"),
    [
        ({"x": FULL}, ["x"], None),
        ({"x": ONE}, ["x"], None),  # nothing better
        ({"x": FULL, "y": FULL, "z": ONE}, ["x", "y"], None),
        ({"x": FULL, "y": HALF}, None, "the sheet 'y' is nearly a log, but lacks c, d."),
        ({"x": HALF, "y": ONE}, ["x"], None),
        ({"x": ONE, "y": HALF}, ["y"], None),
        ({"x": HALF, "y": HALF}, ["x"], None),
        (
            {"x": ["t", "abcd"]},
            None,
            "the headings of the sheet 'x' seem to stand in row 2. Delete",
        ),
        ({"x": ["", "t", "ab"]}, None, "the headings of the sheet 'x' seem to stand in row 3."),
        ({"x": ["t", "a"], "y": FULL}, ["y"], None),
        ({"x": ["ab", "ab"]}, ["x"], None),
        ({"x": ["ab", "abc"]}, None, "seem to stand in row 2"),
        ({"x": [""], "match details": FULL}, None, "the sheet is empty."),
        ({"match details": FULL}, ["match details"], None),
        ({"match details": FULL, "x": FULL}, ["x"], None),
        ({"x": ["t"] * 19 + FULL}, None, "seem to stand in row 20"),
        ({"x": ["t"] * 20 + FULL}, ["x"], None),
    ],
)
def test_which_sheets_are_logs(sheets, chosen, told):
    """At most half of what is needed may lack in headings that nearly are, or stand lower down."""
    book = _Stub(**{title: [list(row) for row in rows] for title, rows in sheets.items()})
    if told is None:
        assert [tab.title for tab in _chosen(book, None, lacking)] == chosen
        return
    with pytest.raises(LogError) as caught:
        _chosen(book, None, lacking)
    assert told in str(caught.value)
    hold = [title for title, rows in sheets.items() if rows == FULL and title != "match details"]
    said = f", or name the sheets to read (sheet=, --sheet), such as {', '.join(map(repr, hold))}."
    assert (said in str(caught.value)) is (bool(hold))


def test_sheets_without_needs_are_those_with_the_first_headings():
    book = _Stub(x=[[]], one=[["B", "a"]], two=[["A ", "b"]], three=[["a"]], four=[["a", "b", "c"]])
    assert [tab.title for tab in _chosen(book, None, None)] == ["one", "two"]


@pytest.mark.parametrize(("columns", "read"), [(500, True), (501, False)])
def test_as_many_columns_as_a_log_may_have(columns, read, tmp_path):
    book = openpyxl.Workbook()
    book.active.append([f"h{at}" for at in range(columns)])
    book.active.append(["x"])
    book.save(tmp_path / "a.xlsx")
    data = (tmp_path / "a.xlsx").read_bytes()
    if read:
        assert len(read_workbook(data, "a.xlsx").columns) == columns
        return
    with pytest.raises(LogError, match="501 columns hold something, which no log needs"):
        read_workbook(data, "a.xlsx")
