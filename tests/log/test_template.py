from math import ceil

import openpyxl
import pytest

from sidewall.errors import LogError, WriteError
from sidewall.log import write_template
from sidewall.log.columns import COLUMNS
from sidewall.log.sheet_formulas import (
    DETAIL_COLUMNS,
    FILLED,
    LOG_COLUMNS,
    REMARKS,
    formula,
    in_short,
)
from sidewall.log.template_workbook import DETAIL_WORDS, explanations
from sidewall.log.vocabulary import VOCABULARY


@pytest.fixture(scope="module")
def workbook(tmp_path_factory):
    return write_template(tmp_path_factory.mktemp("book") / "log.xlsx")


@pytest.fixture(scope="module")
def template(workbook):
    return openpyxl.load_workbook(workbook)


@pytest.mark.parametrize("suffix", ["csv", "xlsx", "CSV"])
def test_reads_back_clean(tmp_path, checked, suffix, workbook):
    path = workbook if suffix == "xlsx" else write_template(tmp_path / f"log.{suffix}")
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


@pytest.mark.parametrize("heading", ["gap_cm", "gap_boards"])
def test_every_column_is_explained(heading):
    rows = explanations(heading)
    explained = " ".join(row[1] for row in rows)
    assert not [spec.name for spec in COLUMNS if spec.name not in explained]
    assert [row[1] for row in rows if row[1].startswith(heading)]
    assert all(all(row[k] for k in (0, 1, 2, 3)) for row in rows)


#: The columns of the sheet of shots, by hand.
OF_SHOTS = (
    *("match", "game", "rally", "shot", "player", "side", "stroke", "direction", "contact"),
    *("gap", "gap_class", "choice", "balance", "depth", "lane", "opponent_place", "bounce"),
    *("ending", "t", "rally_won_by", "opponent", "remark"),
)
AT = dict(zip(OF_SHOTS, "ABCDEFGHIJKLMNOPQRSTUV", strict=True))


def test_the_rows_of_the_template(template):
    sheet = template["log"]
    rows = list(sheet.iter_rows(values_only=True))
    assert len(rows) == 2001
    assert rows[0] == tuple("gap_cm" if name == "gap" else name for name in AT)
    for row in (2, 3, 4, 5, 6, 1000, 2001):
        for name, cell in zip(AT, rows[row - 1], strict=True):
            if name in FILLED:
                assert cell == formula(name, row)
            elif row > 4:
                assert cell is None
    details = list(template["match details"].iter_rows(values_only=True))
    players = ("Rowan v Hazel", "Rowan", "Hazel", "right", "right", "Rowan")
    assert details[:2] == [tuple(DETAIL_COLUMNS), players + (None,) * 5]
    assert not any(map(any, details[2:]))
    explained = [tuple(x or "" for x in line) for line in template["columns"].values]
    titles = ("sheet", "column", "who fills it in", "meaning", "words to choose from", "example")
    assert explained == [titles, *explanations("gap_cm")]


WORD = "Keep it if it is a usual word, such as FH, length or not up."
NAME = "This is not in the match details."


def test_lists_and_limits_warn_and_never_stop(template):
    where = "'match details'!"
    expected = [
        ("log", "list", None, f'"{",".join(words)}"', AT[name], "Not in the list", WORD)
        for name, words in VOCABULARY.items()
        if name in AT
    ]
    both = f"INDEX({where}$B$2:$C$41,MATCH($A2,{where}$A$2:$A$41,0),0)"
    for name, source in (
        ("player", both),
        ("rally_won_by", both),
        ("match", f"{where}$A$2:$A$41"),
    ):
        expected.append(("log", "list", None, source, AT[name], "Not in the list", NAME))
    for kind, least, names, said in (
        ("whole", "1", ("game", "rally", "shot"), "A whole number from 1."),
        ("decimal", "0", ("gap",), "A number, without its unit."),
    ):
        for name in names:
            limit = ("log", kind, "greaterThanOrEqual", least, AT[name], "Not a number", said)
            expected.append(limit)
    for letter in "DE":
        hands = ("list", None, '"right,left"', letter, "Not in the list", WORD)
        expected.append(("match details", *hands))
    for letter in "FG":
        pair = ("list", None, "$B2:$C2", letter, "Not in the list", NAME)
        expected.append(("match details", *pair))
    for letter in "IJ":
        limit = ("decimal", "greaterThanOrEqual", "0", letter, "Not a number", "Centimetres.")
        expected.append(("match details", *limit))
    found = []
    for sheet in template:
        end = 2001 if sheet.title == "log" else 41
        for rule in sheet.data_validations.dataValidation:
            letter = str(rule.sqref)[0]
            assert str(rule.sqref) == f"{letter}2:{letter}{end}"
            assert (rule.errorStyle, rule.showErrorMessage) == ("warning", True)
            told = (rule.errorTitle, rule.error)
            found.append((sheet.title, rule.type, rule.operator, rule.formula1, letter, *told))
    assert found == expected


def test_every_remark_colours_the_cell_that_it_is_about(template):
    expected = {}
    for text, name in REMARKS.items():
        expected.setdefault(AT[name], []).append(f'$V2="{text}"')
    expected = {at: [("OR(" + ",".join(tests) + ")", "FBD5C5")] for at, tests in expected.items()}
    expected = {f"{at}2:{at}2001": rules for at, rules in expected.items()}
    expected["V2:V2001"] = [("LEN($V2)>0", "FBD5C5")]
    expected["J2:K2001"] = [('ISNUMBER(SEARCH("serv",$G2))', "E4E4E4")]
    expected["F2:I2001"] = expected["M2:Q2001"] = [(in_short(2), "E4E4E4")]
    found = {
        str(area.sqref): [(one.formula[0], one.dxf.fill.bgColor.rgb[2:]) for one in area.rules]
        for area in template["log"].conditional_formatting
    }
    assert found == expected
    wrong = [
        (rule.dxf.font.b, rule.dxf.font.color.rgb[2:])
        for area in template["log"].conditional_formatting
        for rule in area.rules
        if rule.dxf.font is not None
    ]
    assert wrong == [(True, "7A1F00")] * (len(set(REMARKS.values())) + 1)


def test_how_the_sheets_look(template):
    log, details, columns = template["log"], template["match details"], template["columns"]
    for sheet in template:
        assert (sheet.freeze_panes, sheet.print_title_rows) == ("A2", "$1:$1")
        page = sheet.page_setup
        assert (page.orientation, page.fitToWidth, page.fitToHeight) == ("landscape", 1, 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        for cell in sheet[1]:
            assert (cell.font.name, cell.font.b, cell.alignment.vertical) == (
                "Calibri",
                True,
                "center",
            )
            assert (cell.fill.fill_type, cell.fill.start_color.rgb[2:]) == ("solid", "DCE6F1")
    assert log.auto_filter.ref == "A1:V2001"
    wide = {"match": 22, "player": 13, "opponent": 13, "rally_won_by": 14, "remark": 46}
    wide |= dict.fromkeys(("game", "rally", "shot", "t"), 7)
    for name, at in AT.items():
        assert log.column_dimensions[at].width == wide.get(name, 13)
        for row in (2, 3, 2001):
            cell = log[f"{at}{row}"]
            middle = name in ("game", "rally", "shot", "t", "gap")
            assert cell.alignment.horizontal == ("center" if middle else "left")
            assert cell.font.color.rgb[2:] == ("555555" if name in FILLED else "000000")
    for at, name in zip("ABCDEFGHIJK", DETAIL_COLUMNS, strict=True):
        assert details.column_dimensions[at].width == (24 if name == "match" else 17)
        assert details[f"{at}1"].comment.text == DETAIL_WORDS[name]
    assert {details[f"H{row}"].number_format for row in range(2, 42)} == {"yyyy-mm-dd"}
    widths = (15, 30, 16, 60, 48, 18)
    assert [columns.column_dimensions[at].width for at in "ABCDEF"] == list(widths)
    for row in columns.iter_rows(min_row=2):
        lines = [ceil(len(x.value or "") / wide) for x, wide in zip(row, widths, strict=True)]
        assert columns.row_dimensions[row[0].row].height == 15 * max(lines)
        assert all(x.alignment.wrap_text and x.alignment.vertical == "top" for x in row)


def test_what_is_explained():
    """Who fills a column in, in which unit, and from which words."""
    rows = explanations("gap_in")
    told = {(row[0], row[1]): row for row in rows}
    assert len(told) == len(rows) == len(COLUMNS) + 1 + len(DETAIL_COLUMNS)
    others = {"gap": "gap_in (or gap_cm, gap_m, gap_boards)"}
    for name in ("tin_height", "board_width"):
        others[name] = f"{name}_cm or {name}_in"
    for name in ("x", "y", "bounce_x", "bounce_y", "wall_z", "opponent_x", "opponent_y"):
        others[name] = f"{name} (in metres), {name}_cm or {name}_in"
    for spec in COLUMNS:
        name = spec.name
        sheet = "log" if name in LOG_COLUMNS else "log, if added"
        _, _, filled, meaning, words, example = told[sheet, others.get(name, name)]
        assert meaning.startswith(spec.meaning)
        by_hand = name in ("side", "stroke", "gap", "ending")
        who = "a formula" if name in FILLED else "you" if by_hand else "you, if you like"
        assert filled == who
        assert (meaning == spec.meaning) == (name not in FILLED)
        listed = {"hand": ("right", "left")} | VOCABULARY
        assert words == ", ".join(listed.get(name, ()))
        assert example == spec.example
    for at, name in enumerate(DETAIL_COLUMNS):
        row = rows[len(COLUMNS) + 1 + at]
        hands = "right, left" if name in ("hand_1", "hand_2") else ""
        who = "you" if name in ("match", "player_1", "player_2") else "you, if you like"
        assert row[:5] == ("match details", name, who, DETAIL_WORDS[name], hands)
    assert [row[5] for row in rows[-11:]] == [
        *("Rowan v Hazel", "Rowan", "Hazel", "right", "right", "Rowan", "Rowan"),
        *("2026-03-31", "48", "7", "par11"),
    ]
