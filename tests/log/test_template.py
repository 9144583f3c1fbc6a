import openpyxl
import pytest

from sidewall.errors import LogError
from sidewall.log import write_template
from sidewall.log.columns import COLUMNS


@pytest.mark.parametrize("suffix", ["csv", "xlsx", "CSV"])
def test_reads_back_clean(tmp_path, checked, suffix):
    path = write_template(tmp_path / f"log.{suffix}")
    check = checked(path)
    assert check.rows_in == check.rows_used == 3
    assert check.folded.empty
    assert check.shots["stroke"].tolist() == ["serve", "drive", "drop"]


def test_second_sheet_explains_every_column(tmp_path):
    book = openpyxl.load_workbook(write_template(tmp_path / "log.xlsx"))
    assert book.sheetnames == ["log", "columns"]
    explained = [row[0] for row in book["columns"].iter_rows(min_row=2, values_only=True)]
    assert len(explained) == len(COLUMNS)
    for spec in COLUMNS:
        assert any(text.startswith(spec.name) for text in explained)


def test_never_writes_over_a_log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("mine")
    with pytest.raises(LogError, match="exists"):
        write_template(path)
    assert path.read_text() == "mine"
    write_template(path, overwrite=True)
    assert path.read_text() != "mine"


@pytest.mark.parametrize("name", ["log", "log.txt", "log.parquet"])
def test_other_suffix(tmp_path, name):
    with pytest.raises(LogError, match=r"\.csv or \.xlsx"):
        write_template(tmp_path / name)


def test_no_such_folder(tmp_path):
    with pytest.raises(LogError, match="cannot be written"):
        write_template(tmp_path / "none" / "log.csv")
