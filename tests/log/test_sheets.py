"""Workbooks of several sheets: every log among them is read, and what is not is named."""

import datetime as dt

import openpyxl
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log import check_log, guess_map, map_log, pseudonymise, read_shots, write_template
from sidewall.log.raw import cell_text
from sidewall.log.source import open_log
from sidewall.log.workbook import _Tab


@pytest.fixture
def book(tmp_path):
    """Write tables as the sheets of a workbook."""

    def write(sheets, name="log.xlsx"):
        path = tmp_path / name
        with pd.ExcelWriter(path) as writer:
            for title, table in sheets.items():
                table.to_excel(writer, sheet_name=title, index=False)
        return path

    return write


@pytest.fixture
def parts(log):
    """The two matches of the log, a table each."""
    return {name: log[log["match"] == name].reset_index(drop=True) for name in ("M1", "M2")}


NOTES = pd.DataFrame({"note": ["nothing here"]})


def checked_sheets(path, **options):
    """Check, holding the books by sheet and line."""
    check = check_log(path, **options)
    assert check.rows_in == check.rows_used + check.rows_refused == sum(check.sheets.values())
    own = check.problems[["sheet", "line"]].drop_duplicates()
    assert len(own) == check.rows_refused
    return check


def test_every_sheet_that_holds_a_log_is_read(parts, book, log):
    check = checked_sheets(book({"one": parts["M1"], "notes": NOTES, "two": parts["M2"]}))
    assert check.rows_in == check.rows_used == 12
    pd.testing.assert_frame_equal(
        check.shots.drop(columns=["sheet", "line"]), read_shots(log).drop(columns="line")
    )
    assert check.shots["sheet"].astype(str).tolist() == ["one"] * 9 + ["two"] * 3
    assert check.shots["line"].tolist() == [*range(2, 11), *range(2, 5)]
    assert check.sheets == {"one": 9, "two": 3}
    assert check.passed_over == ("notes",)
    summary = check.summary()
    assert "Read from sheets 'one' (9 rows), 'two' (3 rows)." in summary
    assert "Passed over, as not a log: sheet 'notes'." in summary


def test_a_refused_row_names_its_sheet(parts, book):
    parts["M2"].loc[1, "shot"] = "two"
    check = checked_sheets(book(parts))
    row, other = check.problems.itertuples()
    assert (row.sheet, row.line, row.column) == ("M2", 3, "shot")
    assert (other.sheet, other.line, other.mend) == ("M2", 4, "mend line 3 of sheet 'M2'")
    assert "sheet 'M2', line 3, shot = 'two'" in check.summary()


def test_the_same_rallies_on_two_sheets_are_not_merged(parts, book):
    check = checked_sheets(book({"one": parts["M1"], "copy": parts["M1"]}))
    own = check.problems.query("kind == 'row'")
    assert own["sheet"].tolist() == ["copy"] * 9
    assert own["line"].tolist() == list(range(2, 11))
    assert own["reason"].iloc[0].endswith("stands on line 2 of sheet 'one'")
    assert "names of their own" in own["mend"].iloc[0]
    assert check.rows_used == 0
    assert check.rows_refused == 18


def test_one_match_on_two_sheets_is_said(log, book):
    halves = {"first": log[log["rally"] == "1"], "rest": log[log["rally"] != "1"]}
    check = check_log(book(halves))
    assert check.rows_used == 12
    assert "'M1' stands on the sheets 'first', 'rest' and is read as one" in check.notes[0]
    assert check.notes[0] in check.summary()


def test_sheets_are_chosen_by_name_and_by_place(parts, book):
    path = book({"notes": NOTES} | parts)
    for sheet in ("M2", 2, ["M2"], [2]):
        check = check_log(path, sheet=sheet)
        assert check.rows_in == 3
        assert check.passed_over == ("notes", "M1")
        assert "sheet" not in check.shots
    assert check_log(path, sheet=["M2", "M1"]).sheets == {"M1": 9, "M2": 3}
    with pytest.raises(LogError, match="'notes', 'M1', 'M2'"):
        check_log(path, sheet="M3")
    with pytest.raises(LogError, match="required column missing"):
        check_log(path, sheet="notes")


def test_only_a_workbook_has_sheets(text, csv):
    with pytest.raises(LogError, match="only a workbook has sheets"):
        check_log(csv(text), sheet="M1")


def test_a_sheet_that_is_nearly_a_log_is_not_passed_over(parts, book):
    parts["M2"] = parts["M2"].rename(columns={"player": "who"})
    path = book(parts)
    with pytest.raises(LogError, match=r"'M2' is nearly a log, but lacks player.*'M1'"):
        check_log(path)
    assert check_log(path, sheet="M1").rows_used == 9


def test_headings_below_a_title_are_not_passed_over(parts, book, tmp_path):
    path = book(parts)
    opened = openpyxl.load_workbook(path)
    opened["M2"].insert_rows(1, 2)
    opened["M2"]["A1"] = "Second match of the evening"
    opened.save(path)
    with pytest.raises(LogError, match="headings of the sheet 'M2' seem to stand in row 3"):
        check_log(path)


@pytest.mark.parametrize(("above", "found"), [(19, True), (20, False)])
def test_headings_are_searched_in_twenty_rows(parts, book, above, found):
    path = book(parts)
    opened = openpyxl.load_workbook(path)
    opened["M2"].insert_rows(1, above)
    for row in range(1, above + 1):
        opened["M2"].cell(row, 1, "A long title")
    opened.save(path)
    if found:
        with pytest.raises(LogError, match=f"seem to stand in row {above + 1}"):
            check_log(path)
        return
    check = check_log(path)  # a sheet of notes
    assert check.rows_used == len(parts["M1"])


def test_columns_may_differ_between_sheets_but_not_their_units(parts, book, log):
    other = parts["M2"].drop(columns=["x", "y"]).rename(columns={"player": "Hitter"})
    shots = read_shots(book({"one": parts["M1"], "two": other[other.columns[::-1]]}))
    expected = read_shots(log)
    assert shots["player"].tolist() == expected["player"].tolist()
    assert shots["gap_m"].tolist()[-1] == expected["gap_m"].tolist()[-1]
    assert shots["x_m"].isna().sum() == expected["x_m"].isna().sum() + 1
    parts["M2"] = parts["M2"].rename(columns={"gap_cm": "gap_in"})
    with pytest.raises(LogError, match=r"'gap_in' of the sheet 'M2'.*another unit.*'M1'"):
        check_log(book(parts))


def test_a_chart_sheet_first(log, book):
    path = book({"log": log})
    opened = openpyxl.load_workbook(path)
    opened.create_chartsheet("picture", 0)
    opened.save(path)
    assert check_log(path).rows_used == 12
    assert check_log(path, sheet=0).rows_used == 12


def test_hidden_rows_columns_and_sheets_are_said(parts, book):
    path = book(parts)
    opened = openpyxl.load_workbook(path)
    for row in (3, 5, 900):
        opened["M1"].row_dimensions[row].hidden = True
    opened["M1"].column_dimensions["J"].hidden = True
    opened["M2"].sheet_state = "hidden"
    opened.save(path)
    notes = check_log(path).notes
    assert "Sheet 'M1': 2 hidden rows are read: 3, 5." in notes[0]
    assert "Sheet 'M1': 1 hidden column is read: J." in notes[1]
    assert notes[2] == "The sheet 'M2' is hidden in the workbook, and is read."
    assert len(notes) == 3


def test_hidden_columns_without_a_first_one_begin_at_the_first():
    tab = _Tab("log", b'<col max="2" hidden="1"/>', [["match", "game", "rally"]], hidden=False)
    (note,) = tab.notes()
    assert "2 hidden columns are read: A, B." in note


def test_cells_are_what_another_reader_finds(log, book):
    """Against openpyxl, cell by cell: kinds, errors, dates, times, blanks between."""
    frame = log.reset_index(drop=True).astype(object)
    odd = [
        *(1, 1.5, True, "#N/A", dt.date(2026, 3, 31), dt.datetime(2026, 3, 31, 5, 6, 7)),
        *(dt.time(11, 30), dt.timedelta(hours=30), "  é\nx ", 12345678901234567, -3, 1e20),
    ]
    path = book({"log": frame.assign(odd=None)})
    opened = openpyxl.load_workbook(path)
    column = len(frame.columns) + 3  # a column between stays empty
    for row, value in enumerate(odd, 2):
        opened["log"].cell(row, column).value = value
    opened["log"].cell(1, column).value = "odd"
    opened["log"]["F8"] = "#DIV/0!"
    opened.save(path)
    found = open_log(path)
    sheet = openpyxl.load_workbook(path, data_only=True)["log"]
    theirs = [
        [cell_text(cell) for cell in cells[1:]]
        for cells in sheet.iter_cols(values_only=True)
        if any(cell is not None for cell in cells[1:]) or cells[0] is not None
    ]
    ours = [column.distinct[column.codes].tolist() for _, column in found.columns]
    assert ours == theirs
    assert found.columns[-1][1].distinct[found.columns[-1][1].codes].tolist()[3] == "#N/A"


@pytest.mark.parametrize("below", [1, 2, 4])
def test_an_error_alone_below_all_rows_is_a_row(log, book, below):
    path = book({"log": log})
    opened = openpyxl.load_workbook(path)
    opened["log"].cell(len(log) + 1 + below, 2).value = "#N/A"
    opened.save(path)
    found = open_log(path)
    assert found.lines[-1] == len(log) + 1 + below
    column = found.columns[1][1]
    assert column.distinct[column.codes[-1]] == "#N/A"


@pytest.mark.slow
def test_rows_far_below_the_formulas_of_the_template(tmp_path, log):
    path = write_template(tmp_path / "log.xlsx")
    opened = openpyxl.load_workbook(path)
    sheet = opened["log"]
    head = [cell.value for cell in sheet[1]]
    rows = log.assign(opponent="").to_dict("records")
    for at in range(5_000):
        row = rows[at % 3] | {"rally": 2 + at // 3, "match": "Rowan v Hazel"}
        for place, name in enumerate(head, 1):
            if name in row and row[name] != "":
                sheet.cell(2_002 + at, place).value = row[name]
    opened.save(path)
    check = check_log(path)
    assert check.rows_in == check.rows_used + check.rows_refused == 5_003
    assert check.rows_used == 3 + 3 * (5_000 // 3)  # the last rally is cut


def test_maps_and_pseudonyms_take_all_sheets(parts, book, tmp_path):
    theirs = {name: table.rename(columns={"player": "Who"}) for name, table in parts.items()}
    path = book(theirs | {"notes": NOTES})
    text = guess_map(path)
    assert "# Read: sheet 'M2'" in text
    assert "# Other headings, not read: sheet 'notes'" in text
    mapping = tmp_path / "map.toml"
    columns = [name for name in parts["M1"] if name != "player"]
    lines = [f'{name.removesuffix("_cm")} = "{name}"' for name in columns]
    mapping.write_text("\n".join(["[columns]", *lines, 'player = "Who"']))
    for one in ("x", "y"):
        mapping.write_text(
            mapping.read_text().replace(
                f'\n{one} = "{one}"', f'\n{one} = {{ column = "{one}", unit = "m" }}'
            )
        )
    table, check = map_log(path, mapping)
    assert check.rows_used == len(table) == 12
    assert table["sheet"].tolist() == ["M1"] * 9 + ["M2"] * 3
    assert check.passed_over == ("notes",)
    coded = pseudonymise(book(parts, "own.xlsx"), tmp_path / "coded.csv", tmp_path / "key.csv")
    assert coded.rows == 12


def test_an_open_document_says_what_to_do(csv):
    data = b"PK\x03\x04" + bytes(26) + b"mimetypeapplication/vnd.oasis.opendocument.spreadsheet"
    for name in ("log.ods", "log.xlsx", "log.csv"):
        with pytest.raises(LogError, match=r"save it from there as \.xlsx or as CSV UTF-8"):
            check_log(csv(data, name))
