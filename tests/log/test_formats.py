"""Separators, encodings, workbooks, Parquet: one log, the same table."""

import datetime as dt

import numpy as np
import openpyxl
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log import read_shots


@pytest.fixture
def expected(log):
    return read_shots(log)


@pytest.mark.parametrize("suffix", ["csv", "tsv", "txt"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separators(text, csv, expected, separator, suffix):
    path = csv(text.replace(",", separator), f"log.{suffix}")
    pd.testing.assert_frame_equal(read_shots(path), expected)


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings(text, csv, expected, encoding, ending):
    path = csv(text.replace("\n", ending), encoding=encoding)
    pd.testing.assert_frame_equal(read_shots(path), expected)


@pytest.mark.parametrize("announced", ["sep=;", "SEP=;"])
def test_announced_separator(text, csv, expected, announced):
    path = csv(f"{announced}\n" + text.replace(",", ";"))
    shots = read_shots(path)
    assert shots["line"].tolist() == [line + 1 for line in expected["line"]]


def test_decimal_comma(text, csv, expected, checked):
    path = csv(text.replace(",", ";").replace(".", ","))
    check = checked(path)
    pd.testing.assert_frame_equal(check.shots, expected)
    assert set(check.folded["read_as"]) == {"decimal point"}


def test_bare_decimal_comma_in_a_comma_file_is_refused(text, csv, checked):
    check = checked(csv(text.replace("30.5", "30,5")))
    problem = check.problems.query("kind == 'row'").iloc[0]
    assert problem["line"] == 13
    assert "more cells than" in problem["reason"]
    assert "point" in problem["mend"]


def test_quoted_decimal_comma_in_a_comma_file(text, csv, expected):
    pd.testing.assert_frame_equal(read_shots(csv(text.replace("30.5", '"30,5"'))), expected)


def test_explicit_separator_and_encoding(text, csv, expected):
    path = csv(text.replace(",", ":"), encoding="cp1252")
    pd.testing.assert_frame_equal(read_shots(path, delimiter=":", encoding="cp1252"), expected)


def test_western_text_is_listed(text, csv, checked):
    check = checked(csv(text.replace("Rowan", "Rôwan"), encoding="cp1252"))
    assert check.shots["player"].iloc[0] == "Rôwan"
    listed = check.folded.iloc[0]
    assert listed["found"] == "text that is not UTF-8"
    assert listed["read_as"] == "cp1252: Rôwan"
    assert listed["rows"] == 9 - 2 - 1  # lines with the name in either column


@pytest.mark.parametrize(
    "name", ["log.xlsx", "log.parquet", "frame"], ids=["workbook", "Parquet", "frame"]
)
def test_typed_columns(log, tmp_path, expected, name):
    typed = log.replace("", None)
    for column in ("game", "rally", "shot"):
        typed[column] = typed[column].astype(int)
    for column in ("gap_cm", "x", "y", "t"):
        typed[column] = typed[column].astype(float)
    path = typed
    if name != "frame":
        path = tmp_path / name
        write = typed.to_excel if name == "log.xlsx" else typed.to_parquet
        write(path, index=False)
    pd.testing.assert_frame_equal(read_shots(path), expected)


def test_frame_of_categories_and_with_an_index(log, expected):
    frame = log.astype({"player": "category", "side": "category"})
    frame = frame.set_index(["match", "game"])
    pd.testing.assert_frame_equal(read_shots(frame), expected)


def test_reading_does_not_change_the_frame(log):
    before = log.copy(deep=True)
    read_shots(log)
    pd.testing.assert_frame_equal(log, before)


def test_named_sheet(log, tmp_path, expected):
    path = tmp_path / "log.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"note": ["nothing here"]}).to_excel(book, sheet_name="notes", index=False)
        log.to_excel(book, sheet_name="shots", index=False)
    pd.testing.assert_frame_equal(read_shots(path, sheet="shots"), expected)
    pd.testing.assert_frame_equal(read_shots(path, sheet=1), expected)
    with pytest.raises(LogError, match="'notes', 'shots'"):
        read_shots(path, sheet="log")
    pd.testing.assert_frame_equal(read_shots(path), expected)


def test_time_of_day_in_a_workbook_is_not_guessed(log, tmp_path, checked):
    path = tmp_path / "log.xlsx"
    log.to_excel(path, index=False)
    book = openpyxl.load_workbook(path)
    book.active.cell(row=3, column=list(log.columns).index("t") + 1).value = dt.time(11, 30)
    book.save(path)
    problem = checked(path).problems.query("kind == 'row'").iloc[0]
    assert problem["line"] == 3
    assert "time of day" in problem["mend"]


def test_blank_sheet_rows_keep_row_numbers(log, tmp_path, checked):
    rows = log.reset_index(drop=True)
    rows = pd.concat([rows.iloc[:2], rows.iloc[:1].map(lambda _: None), rows.iloc[2:]])
    path = tmp_path / "log.xlsx"
    rows.to_excel(path, index=False)
    check = checked(path)
    assert check.shots["line"].tolist() == [2, 3, *range(5, 15)]
    assert check.folded["read_as"].tolist() == ["not a row"]


@pytest.mark.parametrize(
    ("data", "name", "part"),
    [
        (b"", "log.csv", "empty"),
        (b"\n \n,,\n", "log.csv", "empty"),
        (b"match,game\n", "log.csv", "required column missing"),
        (bytes(range(256)) * 4, "log.csv", "no text file|fits neither"),
        (b"match,player\nM1,\x81\x8d\n", "log.csv", "neither UTF-8 nor Western"),
        (b"match,player\nM1,\xd7\xf7\n", "log.csv", "neither UTF-8 nor Western"),
        (b"match\x00\x01,player\n", "log.csv", "no text file"),
        (b"PK\x03\x04rest", "log.csv", "rename it to .xlsx"),
        (b"PAR1rest", "log.csv", "Rename it to .parquet"),
        (b"\x1f\x8brest", "log.csv", "Unpack it"),
        (b"\xd0\xcf\x11\xe0rest", "log.xls", "old format"),
        (b"\xd0\xcf\x11\xe0rest", "log.xlsx", "password"),
        (b"PK\x03\x04rest", "log.xlsx", "workbook cannot be read"),
        (b"", "log.xlsx", "workbook cannot be read"),
        (b"PAR1rest", "log.parquet", "Parquet file cannot be read"),
        (b"match,game", "log.parquet", "Parquet file cannot be read"),
        (b"\xff\xfem\x00a\x00", "log.csv", "required column missing"),
        (b"\xff\xfem\x00a", "log.csv", "no utf-16 text"),
    ],
)
def test_unreadable(csv, data, name, part):
    path = csv(data, name)
    with pytest.raises(LogError, match=part) as caught:
        read_shots(path)
    assert name in str(caught.value)


def test_damaged_workbook(log, tmp_path):
    path = tmp_path / "log.xlsx"
    log.to_excel(path, index=False)
    data = path.read_bytes()
    for cut in (len(data) // 3, len(data) - 30):
        path.write_bytes(data[:cut])
        with pytest.raises(LogError, match="workbook cannot be read"):
            read_shots(path)
    middle = bytearray(data)
    middle[200:1200] = bytes(1000)
    path.write_bytes(bytes(middle))
    with pytest.raises(LogError):
        read_shots(path)


def test_no_file_and_a_folder(tmp_path):
    with pytest.raises(LogError, match="no such file"):
        read_shots(tmp_path / "none.csv")
    with pytest.raises(LogError, match="folder"):
        read_shots(tmp_path)


@pytest.mark.parametrize("encoding", ["utf-16", "ascii", "no-such"])
def test_wrong_encoding_named(text, csv, encoding):
    path = csv(text.replace("Rowan", "Rôwan") + "x")
    with pytest.raises(LogError, match=encoding):
        read_shots(path, encoding=encoding)


def test_empty_frames():
    with pytest.raises(LogError, match="required column missing"):
        read_shots(pd.DataFrame())


def test_headings_without_rows(log, text, csv):
    with pytest.raises(LogError, match="no rows"):
        read_shots(log.iloc[:0])
    with pytest.raises(LogError, match="no rows"):
        read_shots(csv(text.splitlines()[0]))
    with pytest.raises(LogError, match="no rows"):
        read_shots(csv(text.splitlines()[0] + "\n\n,,,\n"))


def test_bad_delimiter(text, csv):
    with pytest.raises(LogError, match="one character"):
        read_shots(csv(text), delimiter="; ")


def test_missing_values_of_every_kind(log):
    frame = log.copy()
    frame["balance"] = [None, np.nan, pd.NA, pd.NaT, "", "-", "set", "set", "set", None, None, None]
    assert read_shots(frame)["balance"].notna().sum() == 3
