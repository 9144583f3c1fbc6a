import openpyxl
import pytest

from sidewall.errors import LogError, WriteError
from sidewall.log import write_template
from sidewall.log.columns import COLUMNS
from sidewall.log.sheet_formulas import DETAIL_COLUMNS, REMARKS
from sidewall.log.template_workbook import explanations
from sidewall.log.vocabulary import VOCABULARY


@pytest.mark.parametrize("suffix", ["csv", "xlsx", "CSV"])
def test_reads_back_clean(tmp_path, checked, suffix):
    path = write_template(tmp_path / f"log.{suffix}")
    check = checked(path)
    assert check.rows_in == check.rows_used == 3
    assert check.folded.empty
    assert check.shots["stroke"].tolist() == ["serve", "drive", "drop"]


@pytest.mark.slow
@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
@pytest.mark.parametrize(
    ("unit", "gaps"), [("in", [0.35, 0.70]), ("m", [0.35, 0.70]), ("boards", [0.35, 0.70])]
)
def test_gap_in_another_unit(tmp_path, checked, suffix, unit, gaps):
    path = write_template(tmp_path / f"log.{suffix}", gap_unit=unit)
    shots = checked(path, board_width_cm=7).shots
    assert shots["gap_m"].tolist()[1:] == pytest.approx(gaps, abs=0.0002)


@pytest.mark.slow
def test_a_sheet_explains_every_column_with_an_example(tmp_path):
    book = openpyxl.load_workbook(write_template(tmp_path / "log.xlsx"))
    assert book.sheetnames == ["log", "match details", "columns"]
    lines = list(book["columns"].iter_rows(min_row=2, values_only=True))
    assert len(lines) == len(COLUMNS) + 1 + len(DETAIL_COLUMNS)
    for sheet, column, filled, meaning, _, example in lines:
        assert all([sheet, column, filled, meaning, example])
    for spec in COLUMNS:
        assert any(line[1].startswith(spec.name) for line in lines)


def test_lists_offer_the_vocabulary(tmp_path):
    sheet = openpyxl.load_workbook(write_template(tmp_path / "log.xlsx"))["log"]
    lists = {
        rule.formula1: str(rule.sqref)
        for rule in sheet.data_validations.dataValidation
        if rule.type == "list"
    }
    column = {cell.value: cell.column_letter for cell in sheet[1]}
    for name, words in VOCABULARY.items():
        at = column[name]
        assert lists[f'"{",".join(words)}"'].startswith(f"{at}2:{at}")


def test_never_writes_over_a_log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("mine")
    with pytest.raises(WriteError, match="exists"):
        write_template(path)
    assert path.read_text() == "mine"
    write_template(path, overwrite=True)
    assert path.read_text() != "mine"


@pytest.mark.parametrize("name", ["log", "log.txt", "log.parquet"])
def test_other_suffix(tmp_path, name):
    with pytest.raises(LogError, match=r"\.csv or \.xlsx"):
        write_template(tmp_path / name)


def test_no_such_folder(tmp_path):
    with pytest.raises(WriteError, match="cannot be written"):
        write_template(tmp_path / "none" / "log.csv")


def test_lists_and_limits_warn_and_never_stop(tmp_path):
    book = openpyxl.load_workbook(write_template(tmp_path / "log.xlsx"))
    rules = [rule for sheet in book for rule in sheet.data_validations.dataValidation]
    assert len(rules) > 10
    assert {rule.errorStyle for rule in rules} == {"warning"}
    assert all(rule.showErrorMessage and len(rule.error) <= 255 for rule in rules)


@pytest.mark.parametrize("heading", ["gap_cm", "gap_boards"])
def test_every_column_is_explained(heading):
    rows = explanations(heading)
    explained = " ".join(row[1] for row in rows)
    assert not [spec.name for spec in COLUMNS if spec.name not in explained]
    assert [row[1] for row in rows if row[1].startswith(heading)]
    assert all(all(row[k] for k in (0, 1, 2, 3)) for row in rows)


def test_every_remark_colours_the_cell_that_it_is_about(tmp_path):
    sheet = openpyxl.load_workbook(write_template(tmp_path / "log.xlsx"))["log"]
    column = {cell.value: cell.column_letter for cell in sheet[1]}
    gap = next(name for name in column if name.startswith("gap") and name != "gap_class")
    rules = {str(area.sqref): area.rules for area in sheet.conditional_formatting}
    for text, name in REMARKS.items():
        at = column[gap if name == "gap" else name]
        said = [
            formula
            for cells, of_cells in rules.items()
            if cells.startswith(f"{at}2:{at}")
            for rule in of_cells
            for formula in rule.formula
        ]
        assert any(f'="{text}"' in formula for formula in said), text


def test_the_first_shot_is_not_held_against_the_headings_above_it(tmp_path):
    """Its row may be checked for itself alone: all else would compare it with words."""
    sheet = openpyxl.load_workbook(write_template(tmp_path / "log.xlsx"))["log"]
    column = {cell.value: cell.column_letter for cell in sheet[1]}
    remarks = {row: sheet[f"{column['remark']}{row}"].value for row in (2, 3)}
    ending = column["ending"]
    assert f'{ending}2=""' in remarks[3].replace("$", "")
    assert f'{ending}1=""' not in remarks[2].replace("$", "")
