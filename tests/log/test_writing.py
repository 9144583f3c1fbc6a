"""Nothing that is written from user text runs in a spreadsheet, and all of it reads back."""

import csv as csv_module
import io
import tempfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sidewall.errors import LogError, WriteError
from sidewall.log import read_shots, write_table
from sidewall.log.writing import is_risky, with_text_mark, without_text_mark

WILD = ["=CMD()", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1", "=cmd|'/C calc'!A0"]
NUMBERS = ["-5", "+5", "-0.5", "-.5", "-1e-3", "-3,5"]


@pytest.mark.parametrize("text", WILD)
def test_what_a_spreadsheet_would_run_is_marked(text):
    assert is_risky(text)
    assert with_text_mark(text) == f"'{text}"


@pytest.mark.parametrize("text", [*NUMBERS, "Rowan", "drive", "", "a=b", "O'Hazel", "'quoted'"])
def test_numbers_and_plain_text_are_left_alone(text):
    assert with_text_mark(text) == text


@given(st.text(alphabet="=+-@'\t a1", max_size=6))
def test_the_mark_comes_off_again(text):
    marked = with_text_mark(text)
    assert without_text_mark(marked) == text
    assert not is_risky(marked)


def test_csv(tmp_path):
    table = pd.DataFrame({"=heading": [*WILD, *NUMBERS], "gap": range(-7, 8)})
    path = write_table(table, tmp_path / "a.csv")
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv_module.reader(stream))
    assert rows[0] == ["'=heading", "gap"]
    assert [row[0] for row in rows[1:]] == [*(f"'{one}" for one in WILD), *NUMBERS]
    assert [int(row[1]) for row in rows[1:]] == list(range(-7, 8))


def test_workbook(tmp_path):
    table = pd.DataFrame({"a": [*WILD, *NUMBERS], "gap": [-1.5] * 15})
    sheet = openpyxl.load_workbook(write_table(table, tmp_path / "a.xlsx")).active
    cells = list(sheet.iter_rows(min_row=2))
    assert {row[0].data_type for row in cells} == {"s"}
    assert [row[0].value.strip() for row in cells[:4]] == WILD[:4]
    assert all(row[0].quotePrefix for row in cells[: len(WILD)])
    assert {(row[1].data_type, row[1].value) for row in cells} == {("n", -1.5)}


def test_what_a_workbook_cannot_hold_is_left_out(tmp_path):
    table = pd.DataFrame({"a": ["x\x07\ufffey", "z" * 40_000, None]})
    sheet = openpyxl.load_workbook(write_table(table, tmp_path / "a.xlsx")).active
    assert sheet["A2"].value == "xy"
    assert len(sheet["A3"].value) == 32_767


def test_nothing_is_overwritten(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("mine")
    with pytest.raises(WriteError, match="exists"):
        write_table(pd.DataFrame({"a": [1]}), path)
    assert path.read_text() == "mine"
    write_table(pd.DataFrame({"a": [1]}), path, overwrite=True)
    with pytest.raises(LogError, match=r"ends in \.csv, \.xlsx, \.parquet"):
        write_table(pd.DataFrame({"a": [1]}), tmp_path / "a.doc")
    with pytest.raises(WriteError, match="cannot be written"):
        write_table(pd.DataFrame({"a": [1]}), tmp_path / "none" / "a.csv")


NAMES = st.text(
    st.characters(codec="utf-8", categories=["L", "N", "P", "S"], exclude_characters="’"),
    min_size=1,
    max_size=5,
).filter(lambda name: set(name) - set("-–—.nNaA/#<>ulone '"))


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(NAMES, st.sampled_from([".csv", ".xlsx", ".parquet"]))
def test_shots_come_back_the_same(log, name, suffix):
    wild = log.replace("Rowan", name)
    shots = read_shots(wild)
    with tempfile.TemporaryDirectory() as folder:
        path = write_table(shots, Path(folder) / f"shots{suffix}")
        again = read_shots(path)
    pd.testing.assert_frame_equal(again, shots)


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".parquet"])
@pytest.mark.parametrize("name", ["=CMD()", "'=CMD()", "-Rowan", "@Rowan"])
def test_wild_names_come_back_the_same(log, tmp_path, name, suffix):
    shots = read_shots(log.replace("Rowan", name))
    again = read_shots(write_table(shots, tmp_path / f"shots{suffix}"))
    pd.testing.assert_frame_equal(again, shots)


def test_refused_rows_are_harmless(log, tmp_path, checked):
    log.loc[3, "ending"] = "=CMD()"
    path = write_table(checked(log).problems, tmp_path / "refused.csv")
    rows = list(csv_module.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline="")))
    assert "'=CMD()" in [cell for row in rows for cell in row]
    assert not [cell for row in rows for cell in row if is_risky(cell)]
