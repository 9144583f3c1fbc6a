"""Cells one by one: numbers, blanks and values as text, names, and letters of old code pages."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from sidewall.log.cells import is_blank, name_key, parse_numbers, tidy_name
from sidewall.log.raw import RawColumn, cell_text, shown_cell
from sidewall.log.remarks import _near, _pairs
from sidewall.log.source import _cased, _is_words, _without_mark
from sidewall.log.workbook import _letters, _number


@pytest.mark.parametrize(
    ("cell", "blank", "as_name"),
    [
        *((text, True, True) for text in ("", " ", "-", "–", "—", "n/a", "N/A", "#N/A", "<NA>")),
        *((text, True, False) for text in ("nan", "NaN", "None", "NULL", "NA", " NA ")),
        *((text, False, False) for text in ("Na", "na", "0", "--", 0, None, np.nan)),
    ],
)
def test_blanks(cell, blank, as_name):
    assert is_blank(cell) is blank
    assert is_blank(cell, name=True) is as_name


PLAIN = "write a plain number, such as 35 or 3.5"
NO_COMMA = "write the decimals with a point, and no mark for thousands"
CLOCK = "the cell is a time of day: format the column as text and type mm:ss"
ONLY = "write a number of cm and nothing else"
OTHER = "the column is in cm: convert the value, or rename the column"


@pytest.mark.parametrize(
    ("cell", "options", "value", "how", "mend"),
    [
        (35, "", 35, None, None),
        ("3.5", "", 3.5, None, None),
        (" +3.5 ", "", 3.5, None, None),
        ("1e2", "", 100, None, None),
        ("", "", None, None, None),
        ("-", "", None, "blank", None),
        (" n/a", "", None, "blank", None),
        ("x", "", None, None, PLAIN),
        ("inf", "", None, None, PLAIN),
        ("nan", "", None, "blank", None),
        ("1_000", "", None, None, PLAIN),
        ("1e999", "", None, None, PLAIN),
        (10**400, "", None, None, PLAIN),
        ("1.234,5", "comma", None, None, PLAIN),
        ("3,5", "", 3.5, "decimal point", None),
        ("-3,5", "", -3.5, "decimal point", None),
        ("1,2345", "", 1.2345, "decimal point", None),
        ("1,234", "", None, None, NO_COMMA),
        ("123,456", "", None, None, NO_COMMA),
        ("0,234", "", 0.234, "decimal point", None),
        ("1234,567", "", 1234.567, "decimal point", None),
        ("1,234", "comma", 1.234, "decimal point", None),
        ("1,2,3", "comma", None, None, PLAIN),
        (",5", "", None, None, PLAIN),
        ("35 cm", "", None, None, PLAIN),
        ("35 cm", "unit", 35, "the number alone", None),
        ("35CM", "unit", 35, "the number alone", None),
        ("3,5 cm", "unit", 3.5, "the number alone", None),
        ("1,234 cm", "unit", None, None, NO_COMMA),
        ("1.2.3 cm", "unit", None, None, PLAIN),
        ("35 m", "unit", None, None, OTHER),
        ('35"', "unit", None, None, OTHER),
        ("35 feet", "unit", None, None, ONLY),
        ("1:02", "", None, None, PLAIN),
        ("1:02", "clock", 62, "seconds", None),
        ("10:02.5", "clock", 602.5, "seconds", None),
        ("2:01:02", "clock", 7262, "seconds", None),
        ("100:02", "clock", None, None, PLAIN),
        ("1:2", "clock", None, None, PLAIN),
        ("clock 01:02:00", "clock", None, None, CLOCK),
        ("clock 01:02:00", "", None, None, CLOCK),
    ],
)
def test_numbers(cell, options, value, how, mend):
    cells = np.array(["7", cell], dtype=object)
    found = parse_numbers(
        cells,
        comma_decimals=options == "comma",
        unit="cm" if options == "unit" else None,
        clock=options == "clock",
    )
    assert found.value[0] == 7
    np.testing.assert_array_equal(found.value[1], np.nan if value is None else value)
    blank = how == "blank" or cell == ""
    assert found.blank.tolist() == [False, blank]
    assert found.wrong.tolist() == [False, value is None and not blank]
    assert found.read_as == ({} if how is None else {1: how})
    assert found.mend == ({} if mend is None else {1: mend})


@pytest.mark.parametrize(
    ("value", "text"),
    [
        *((x, "") for x in (None, pd.NaT, pd.NA, np.nan, "", "  ")),
        (2.0, 2),
        (2.5, 2.5),
        (-3.0, -3),
        (1e15, 1e15),
        (999_999_999_999_999.0, 999_999_999_999_999),
        (np.float64(4), 4),
        (np.int64(4), 4),
        (True, "True"),
        (dt.date(2026, 3, 31), "2026-03-31"),
        (dt.datetime(2026, 3, 31), "2026-03-31"),
        (dt.datetime(2026, 3, 31, 7, 5), "2026-03-31T07:05:00"),
        (dt.time(7, 5), "clock 07:05:00"),
        (dt.timedelta(minutes=7), "clock 0:07:00"),
        (" a ", " a "),
    ],
)
def test_values_as_text(value, text):
    found = cell_text(value)
    assert found == text
    assert type(found) is type(text)


def test_columns_of_any_kind():
    mixed = [1, True, "1", 1.0, None, "a", "True"]
    column = RawColumn.of(mixed)
    shown = column.distinct[column.codes].tolist()
    assert list(map(str, shown)) == ["1", "True", "1", "1", "", "a", "True"]
    assert column.blank.tolist() == [False] * 4 + [True] + [False] * 2
    lists = RawColumn.of([[1], None, "a", [1], 2])
    assert lists.cells(np.arange(5)).tolist() == ["[1]", "", "a", "[1]", "2"]
    kinds = pd.Series(["b", None, "a", "b"], dtype="category")
    assert RawColumn.of(kinds).cells(np.arange(4)).tolist() == ["b", "", "a", "b"]
    below = RawColumn.below([RawColumn.of([1, "1"]), RawColumn.of(["1", 1, "x"])])
    assert below.cells(np.arange(5)).tolist() == [1, "1", "1", 1, "x"]


@pytest.mark.parametrize(("long", "shown"), [(60, "a" * 60), (61, "a" * 59 + "…")])
def test_long_cells_are_shortened(long, shown):
    assert shown_cell(f" {'a' * long} ") == repr(shown)


def test_names():
    assert tidy_name("  Elm\u00a0 Fir\t") == "Elm Fir"
    assert name_key("ELM  fir") == name_key("elm Fir") != name_key("elmfir")
    assert tidy_name("e\u0301") == "\u00e9"


@pytest.mark.parametrize("number", [1, 2, 26, 27, 52, 53, 702, 703, 16384])
def test_letters_of_columns(number):
    letters, rest = "", number
    while rest:
        letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[(rest - 1) % 26] + letters
        rest = (rest - 1) // 26
    assert _letters(number) == letters
    assert _number(letters.encode()) == number


@pytest.mark.parametrize(
    ("one", "other", "near"),
    [
        *(("rowan", word, True) for word in ("rowann", "rwan", "rowen", "rwoan", "sowan", "rowam")),
        *(("rowan", word, True) for word in ("owan", "rowa", "roawn", "rowna")),
        *(
            ("rowan", word, False)
            for word in ("rowan", "rohen", "raown1", "rowan2", "ro", "naworr")
        ),
        *(("rowan", word, False) for word in ("rowannn", "rnwao", "wroan1", "ruwen", "worna")),
        ("elm", "elms", False),  # three letters may be initials
        ("elms", "elmsa", True),
        ("elms", "elma", True),
        ("rowan hill", "rowan hall", True),
        ("rowan hill", "rowen hall", False),
        ("rowan hill", "rowan", False),
        ("rowan a", "rowan b", False),
        ("rowan 1234", "rowan 1235", False),
    ],
)
def test_names_that_one_letter_tells_apart(one, other, near):
    assert _near(one, other) is near
    assert _near(other, one) is near
    assert _pairs([one.title(), "yew", other.upper()]) == ([(0, 2)] if near else [])


@pytest.mark.parametrize(
    ("word", "good"),
    [
        *((word, True) for word in ("Éva", "éva", "ÉVA", "EVÉ", "René", "RENÉ", "É", "é", "Öö")),
        *((word, False) for word in ("evÉ", "rÉne", "RENé", "REnÉe", "ÉVAé")),
    ],
)
def test_capitals_where_they_belong(word, good):
    assert _cased(word) is good


@pytest.mark.parametrize(
    ("text", "good"),
    [
        *((text, True) for text in ("Zoé, éa", "a – b", "10 €", "été’s", "l’été", "5 £ é", "")),
        *((text, False) for text in ("a©b é", "€é", "é€", "a –é", "é– a", "zoé„x", "xжy", "né×")),
    ],
)
def test_readings_that_make_words(text, good):
    assert _is_words(text) is good


@pytest.mark.parametrize(
    ("data", "name"),
    [
        ("match,ga".encode("utf-16-le"), "utf-16-le"),
        ("match,ga".encode("utf-16-be"), "utf-16-be"),
        ("matc".encode("utf-16-le"), "utf-16-le"),
        ("mat".encode("utf-16-le"), None),
        ("mat".encode("utf-16-be") + b"\0", None),
        (b"match,game", None),
        (b"", None),
        # nine of ten are not enough
        ("matches,aé".encode("utf-16-le").replace(b"\xe9\0", b"\xe9\1"), None),
        ("matches,ab\u0101".encode("utf-16-le"), "utf-16-le"),
        ("matches,ab\u0100".encode("utf-16-le"), None),
        ("m\0tches,ab".encode("utf-16-le"), None),
    ],
)
def test_wide_letters_without_their_mark(data, name):
    assert _without_mark(data) == name
