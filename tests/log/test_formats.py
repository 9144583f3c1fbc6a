"""Separators, encodings, workbooks, Parquet: one log, the same table."""

import datetime as dt

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
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


#: Names whose letters all likely code pages read alike, and names that some read otherwise.
SURE = [
    ("cp1252", "Röwan", "Häzel"),
    ("cp1252", "RÖWAN", "HÄZEL"),
    ("cp1250", "Żółw", "Łukasz"),
    ("cp1253", "Ιτιά", "Οξιά"),
    ("mac_roman", "Renée", "Jörg"),
    ("mac_roman", "Hélène", "Åsa"),
    ("cp850", "Renée", "Jörg"),
]
UNSURE = [
    ("cp1252", "Hélène", "Åsa"),
    ("cp1252", "Søren", "Peña"),
    ("cp1250", "Čermák", "Šípek"),
    ("cp1250", "Műller", "Ödön"),
    ("cp1251", "Липа", "Сосна"),
    ("cp1253", "Πεύκο", "Λεύκα"),
    ("cp1257", "Ķirsis", "Ābele"),
    ("mac_roman", "Jörg", "Rowan"),
]


@pytest.fixture
def spelled(text):
    def spell(one, two):
        return text.replace("Rowan", one).replace("Hazel", two)

    return spell


@pytest.mark.parametrize(("encoding", "one", "two"), SURE)
def test_a_code_page_is_taken_and_listed(spelled, csv, checked, encoding, one, two):
    """The letters are those that Python's own codec wrote."""
    check = checked(csv(spelled(one, two), encoding=encoding))
    assert check.shots["player"].cat.categories.tolist()[:2] == [one, two]
    listed = check.folded.iloc[0]
    assert listed["found"] == "text that is not UTF-8"
    taken, _, words = listed["read_as"].partition(": ")
    assert f"{one} {two}".encode(taken) == f"{one} {two}".encode(encoding)
    assert one in words
    assert listed["rows"] == 9  # lines with either name in either column


@pytest.mark.parametrize(("encoding", "one", "two"), UNSURE)
def test_readings_that_differ_in_a_letter_are_refused(spelled, csv, encoding, one, two):
    path = csv(spelled(one, two), encoding=encoding)
    with pytest.raises(LogError, match=r"more than one way, first on line 2") as caught:
        read_shots(path)
    assert "--encoding" in str(caught.value)
    shots = read_shots(path, encoding=encoding)
    assert shots["player"].cat.categories.tolist()[:2] == [one, two]


def test_the_letters_that_differ_are_shown_and_no_more(text, csv):
    text = (
        text.replace("Rowan", "Müller")
        .replace("Hazel", "Čermák")
        .replace("off_", "č" + "x" * 9_000)
    )
    with pytest.raises(LogError, match="first on line 3") as caught:
        read_shots(csv(text, encoding="cp1250"))
    assert "Čermák (cp1250)" in str(caught.value)
    assert "Müller" not in str(caught.value)
    assert len(str(caught.value)) < 600


@pytest.mark.parametrize(("encoding", "one", "two"), SURE + UNSURE)
def test_no_name_is_misread_in_silence(csv, text, encoding, one, two):
    """Each name alone, in a file that holds no other letter to tell by."""
    for name in (one, two):
        try:
            shots = read_shots(csv(text.replace("Rowan", name), encoding=encoding))
        except LogError:
            continue
        assert shots["player"].iloc[0] == name


def test_the_encoding_counts_for_the_tables_too(spelled, csv, tmp_path):
    path = csv(spelled("Čermák", "Šípek"), encoding="cp1250")
    players = csv("player,hand\nČermák,left\n", "players.csv", encoding="cp1250")
    with pytest.raises(LogError, match=r"players\.csv.*more than one way"):
        read_shots(csv(spelled("Čermák", "Šípek"), "utf.csv"), players=players)
    for table in (players, csv("player,hand\nČermák,left\n", "p.csv", encoding="utf-8")):
        shots = read_shots(path, players=table, encoding="cp1250")
        assert shots["hand"].iloc[0] == "left"


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
        (bytes(range(256)) * 4, "log.csv", "no text file|no code page"),
        (b"match,player\nM1,\x81\x8d\n", "log.csv", "more than one way"),
        (b"match,player\nM1,\xd7\xf7\n", "log.csv", "more than one way"),
        (b"match,player\nM1,a\xb6\xa4\n", "log.csv", r"no code page .* stands on line 2\. "),
        (b"match,a\xb6\xa4\nM1,Rowan\n", "log.csv", r"no code page .* stands on line 1\. "),
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


NESTED = {
    "lists": [["a", "b"], ["c"]] * 6,
    "tables": [{"a": 1}, {"a": 2}] * 6,
    "arrays": [np.array([1, 2]), np.array([3])] * 6,
}


@pytest.mark.parametrize("column", ["note", "player", "gap_cm"])
@pytest.mark.parametrize("kind", NESTED)
@pytest.mark.parametrize("source", ["frame", "Parquet", "Arrow"])
def test_nested_cells_are_read_as_their_text(log, tmp_path, checked, kind, column, source):
    frame = log.reset_index(drop=True)
    frame[column] = pd.Series(NESTED[kind], dtype=object)
    if source == "Parquet":
        frame.to_parquet(tmp_path / "log.parquet")
    given = {"frame": frame, "Parquet": tmp_path / "log.parquet"}
    check = checked(given.get(source) if source != "Arrow" else pa.Table.from_pandas(frame))
    assert check.rows_in == 12
    assert (check.rows_used == 12) == (column == "note")


def test_any_table_that_speaks_arrow(log, expected):
    pd.testing.assert_frame_equal(read_shots(pa.Table.from_pandas(log.reset_index(drop=True))),
                                  expected)  # fmt: skip


@pytest.mark.parametrize("source", [None, 5, b"log.csv", [5], {"match": 1}])
def test_what_is_no_table_is_refused(source):
    with pytest.raises(LogError, match="the name of a file"):
        read_shots(source)


@pytest.mark.parametrize("name", ["x" * 300 + ".csv", "x/" * 5_000 + "log.csv"])
def test_a_name_that_is_too_long(name):
    with pytest.raises(
        LogError, match=f"has {len(name):,} characters, which is too long"
    ) as caught:
        read_shots(name)
    assert len(str(caught.value)) < 300


def test_a_name_that_no_file_can_have():
    with pytest.raises(LogError, match="no name of a file"):
        read_shots("a\0b.csv")


def test_parquet_with_text_that_is_no_utf_8(log, tmp_path):
    path = tmp_path / "log.parquet"
    log.replace("Rowan", "Rôwan").to_parquet(path, compression="NONE")
    data = path.read_bytes()
    path.write_bytes(data.replace("Rôwan".encode(), b"R\xc3\xffwan"))
    with pytest.raises(LogError, match=r"log\.parquet: the Parquet file cannot be read"):
        read_shots(path)


def test_a_very_long_cell_beside_letters_that_are_not_utf_8(text, csv):
    """Of one cell, however long, no letter is looked at more than a few times."""
    long = text.replace("\n", ",note\n", 1).replace("\n", "," + "y" * 300_000 + "\n", 2)
    path = csv(long.replace("Rowan", "Röwan").replace("Hazel", "Häzel").encode("cp1252"))
    assert set(read_shots(path)["player"].astype(str)) >= {"Röwan", "Häzel"}
