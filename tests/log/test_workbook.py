"""The template's workbook as a coach fills it, its formulas, and other workbooks' formulas."""

import shutil
import subprocess
import zipfile

import openpyxl
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log import check_log, pseudonymise, read_shots, write_template
from sidewall.log.sheet_formulas import LOG_COLUMNS, REMARKS

DETAILS = [
    "Alder v Birch",
    "Alder",
    "Birch",
    "right",
    "left",
    "Birch",
    None,
    "2026-03-31",
    43,
    7,
    "par11",
]
SERVE = {"side": "forehand", "stroke": "serve"}
#: What a coach types below the three rows of the example; the rest follows.
TYPED = [
    SERVE,
    {"side": "backhand", "stroke": "drive", "gap_cm": 20, "ending": "tin"},
    SERVE,
    {"side": "forehand", "stroke": "boast", "gap_cm": 15, "ending": "let"},
    SERVE,
    {"side": "forehand", "stroke": "drive", "gap_cm": 60},
    {
        "side": "forehand",
        "stroke": "kill",
        "gap_cm": 90,
        "ending": "stroke",
        "rally_won_by": "Hazel",
    },
    SERVE | {"game": 2},
    {"side": "forehand", "stroke": "drop", "gap_cm": 33, "ending": "out"},
    SERVE | {"match": "Alder v Birch"},
    {"side": "backhand", "stroke": "lob", "gap_cm": 25, "ending": "winner"},
]
#: match, game, rally, shot, player, rally_won_by, worked out by hand.
EXPECTED = [
    ("Rowan v Hazel", 1, 1, 1, "Rowan", None),
    ("Rowan v Hazel", 1, 1, 2, "Hazel", None),
    ("Rowan v Hazel", 1, 1, 3, "Rowan", "Rowan"),
    ("Rowan v Hazel", 1, 2, 1, "Rowan", None),
    ("Rowan v Hazel", 1, 2, 2, "Hazel", "Rowan"),
    ("Rowan v Hazel", 1, 3, 1, "Rowan", None),
    ("Rowan v Hazel", 1, 3, 2, "Hazel", None),
    ("Rowan v Hazel", 1, 4, 1, "Rowan", None),  # the same server after a let
    ("Rowan v Hazel", 1, 4, 2, "Hazel", None),
    ("Rowan v Hazel", 1, 4, 3, "Rowan", "Hazel"),
    ("Rowan v Hazel", 2, 1, 1, "Hazel", None),  # the winner of the last rally serves
    ("Rowan v Hazel", 2, 1, 2, "Rowan", "Hazel"),
    ("Alder v Birch", 1, 1, 1, "Birch", None),  # as the match details say
    ("Alder v Birch", 1, 1, 2, "Alder", "Alder"),
]


def type_in(path, typed, first=5, details=DETAILS):
    """Fill a workbook as a program would, which stores no results of formulas."""
    book = openpyxl.load_workbook(path)
    log = book["log"]
    column = {cell.value: cell.column for cell in log[1]}
    for row, cells in enumerate(typed, first):
        for name, value in cells.items():
            log.cell(row, column[name]).value = value
    for place, value in enumerate(details, 1):
        book["match details"].cell(3, place).value = value
    book.save(path)
    return path


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    """The template with fewer empty rows, which makes the tests quick."""
    path = write_template(tmp_path_factory.mktemp("book") / "template.xlsx")
    book = openpyxl.load_workbook(path)
    book["log"].delete_rows(40, book["log"].max_row)
    book.save(path)
    return path


@pytest.fixture(scope="module")
def filled(template):
    return type_in(shutil.copy(template, template.with_name("log.xlsx")), TYPED)


def columns_of(shots):
    names = ["match", "game", "rally", "shot", "player", "rally_won_by"]
    table = shots[names].astype(object)
    return [tuple(row) for row in table.where(table.notna(), None).itertuples(index=False)]


def test_what_follows_is_worked_out(filled, checked):
    check = checked(filled)
    assert check.rows_in == check.rows_used == len(EXPECTED)
    assert columns_of(check.shots) == EXPECTED
    assert check.folded.empty


def test_match_details_are_the_tables_of_players_and_matches(filled, checked):
    shots = checked(filled).shots
    second = shots[shots["match"] == "Alder v Birch"]
    assert second["hand"].tolist() == ["left", "right"]
    assert second["board_width_m"].tolist() == [0.07, 0.07]
    assert second["tin_height_m"].tolist() == [0.43, 0.43]
    assert second["date"].dt.strftime("%Y-%m-%d").unique().tolist() == ["2026-03-31"]
    assert second["scoring"].tolist() == ["par11", "par11"]


def test_tables_that_are_given_go_before_the_sheet(filled, checked):
    players = pd.DataFrame({"player": ["Birch"], "hand": ["right"]})
    shots = checked(filled, players=players).shots
    assert shots.loc[shots["player"] == "Birch", "hand"].tolist() == ["right"]
    assert shots.loc[shots["player"] == "Birch", "board_width_m"].tolist() == [0.07]


@pytest.mark.parametrize(("given", "tin_m"), [(None, 0.43), (["Alder v Birch", 46], 0.46)])
def test_the_details_go_along_when_names_are_taken_out(filled, tmp_path, given, tin_m):
    matches = given and pd.DataFrame([given], columns=["match", "tin_height_cm"])
    pseudonymise(filled, tmp_path / "out.csv", tmp_path / "key.csv", matches=matches)
    tables = {name: tmp_path / f"out-{name}.csv" for name in ("players", "matches")}
    shots = read_shots(tmp_path / "out.csv", **tables, on_refused="ignore")
    assert set(shots["tin_height_m"].dropna()) == {tin_m}
    assert set(shots["hand"].dropna()) == {"left", "right"}


def test_a_table_of_players_is_found_behind_another_sheet(filled, tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["to do", "who"])
    book.active.append(["order balls", "me"])
    players = book.create_sheet("players")
    for row in (["player", "hand"], ["Birch", "right"]):
        players.append(row)
    book.save(tmp_path / "club.xlsx")
    shots = check_log(filled, players=tmp_path / "club.xlsx").shots
    assert shots.loc[shots["player"] == "Birch", "hand"].tolist() == ["right"]


def test_a_mistake_in_the_details_names_the_sheet_and_the_line(filled, tmp_path):
    path = shutil.copy(filled, tmp_path / "log.xlsx")
    type_in(path, [], details=[*DETAILS[:4], "middle"])
    with pytest.raises(LogError, match=r"log\.xlsx, sheet 'match details'.*line 3.*'middle'"):
        check_log(path)


def test_a_sheet_of_that_name_that_is_something_else(filled, tmp_path):
    path = shutil.copy(filled, tmp_path / "log.xlsx")
    book = openpyxl.load_workbook(path)
    book["match details"]["A1"].value = "fixture"
    book.save(path)
    with pytest.raises(LogError, match=r"no column 'match'.*rename the sheet"):
        check_log(path)


def test_a_formula_of_their_own_without_a_result_is_no_blank(filled, tmp_path):
    path = shutil.copy(filled, tmp_path / "log.xlsx")
    type_in(path, [{"gap_cm": "=30+5"}], first=6)
    with pytest.raises(LogError, match="formula in J6 of the sheet 'log' has no stored result"):
        check_log(path)


@pytest.fixture(scope="module")
def soffice(tmp_path_factory):
    """Open a workbook in a spreadsheet, let it calculate, and save it."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("no soffice on this machine")
    profile = tmp_path_factory.mktemp("profile")

    def save(paths, out):
        command = [program, f"-env:UserInstallation=file://{profile}", "--headless"]
        command += ["--convert-to", "xlsx", "--outdir", str(out), *map(str, paths)]
        subprocess.run(command, check=True, capture_output=True, timeout=120)

    return save


def test_a_spreadsheet_calculates_the_same(filled, soffice, tmp_path, checked):
    soffice([filled], tmp_path)
    saved = tmp_path / filled.name
    check = checked(saved)
    assert columns_of(check.shots) == EXPECTED
    pd.testing.assert_frame_equal(check.shots, checked(filled).shots)
    before = openpyxl.load_workbook(filled)["log"]
    after = openpyxl.load_workbook(saved)["log"]
    assert after["D9"].value.startswith("=IF(COUNTA(")

    def kinds(sheet):
        return sorted(
            (one.type, str(one.sqref)[:2]) for one in sheet.data_validations.dataValidation
        )

    assert kinds(after) == kinds(before)

    def coloured(sheet):
        return sorted(str(one.sqref)[:2] for one in sheet.conditional_formatting)

    assert coloured(after) == coloured(before)


#: Changes to the rows from line 5, the line that then gets a remark, and the remark.
CONTRADICTIONS = [
    ({6: {"player": "Rowan"}}, 6, "the same player twice running"),
    ({7: {"rally": 1}}, 7, "the rally number goes back"),
    ({10: {"shot": 4}}, 10, "a shot is missing or stands twice"),
    ({9: {"shot": 2}}, 9, "a rally begins with shot 1"),
    ({8: {"ending": None}, 9: {"rally": 4}}, 9, "the rally above has no ending"),
    ({13: {"rally_won_by": "Cedar"}}, 13, "the winner is not in the match"),
    ({11: {"rally_won_by": None}}, 11, "to whom was it given?"),
    ({10: {"rally_won_by": "Rowan"}}, 11, "two winners in one rally"),
    ({10: {"ending": "winner", "rally_won_by": ""}, 11: {"rally": 4, "shot": 3}}, 11,
     "the rally goes on after its ending"),
    ({8: {"rally_won_by": "Hazel"}}, 8, "a let has no winner"),
    ({12: {"game": 0}}, 12, "the game number goes back"),
    ({5: {"stroke": "drive"}}, 5, "shot 1 is the serve"),
    ({6: {"stroke": "serve"}}, 6, "a serve within a rally"),
    ({6: {"gap_cm": None}}, 6, "how wide was the gap?"),
    ({6: {"side": None}}, 6, "forehand or backhand?"),
    ({6: {"stroke": None}}, 6, "which stroke?"),
    ({6: {"side": None, "stroke": None, "choice": "reset", "gap_cm": None}}, 6,
     "forehand or backhand?"),
    ({15: {"side": None, "stroke": None, "gap_cm": None, "gap_class": "loose"},
      "in_full": "Birch"}, 15, "attack or reset?"),
    ({15: {"side": None, "stroke": None, "gap_cm": None, "choice": "attack"},
      "in_full": "Birch"}, 15, "how wide was the gap?"),
    ({6: {"player": "Cedar"}}, 6, "this player is not in the match"),
    ({14: {"match": "Cedar v Elm"}}, 14, "name the match and its players under match details"),
    ({17: SERVE}, 17, "the row above is empty"),
    ({5: {"player": ""}}, 5, "who strikes?"),
]  # fmt: skip


@pytest.mark.slow
def test_every_contradiction_is_remarked_on(filled, soffice, tmp_path):
    assert {remark for _, _, remark in CONTRADICTIONS} == set(REMARKS)
    paths = []
    for at, (changes, _, _) in enumerate(CONTRADICTIONS):
        book = openpyxl.load_workbook(filled)
        log = book["log"]
        column = {cell.value: cell.column for cell in log[1]}
        details = [cell.value for cell in book["match details"][1]]
        in_full = changes.get("in_full")
        book["match details"].cell(3, details.index("in_full") + 1).value = in_full
        for row, cells in changes.items():
            if row == "in_full":
                continue
            for name, value in cells.items():
                log.cell(row, column[name]).value = value
        paths.append(tmp_path / f"{at}.xlsx")
        book.save(paths[-1])
    soffice(paths, tmp_path / "out")
    for at, (_, line, remark) in enumerate(CONTRADICTIONS):
        log = openpyxl.load_workbook(tmp_path / "out" / f"{at}.xlsx", data_only=True)["log"]
        remarks = {row: log.cell(row, len(LOG_COLUMNS)).value or "" for row in range(2, 30)}
        assert remarks[line] == remark
        assert not any(remarks[row] for row in range(2, line)), remarks


#: Rows of Alder, whose opponent is charted in full, and of Birch.
IN_SHORT = [
    SERVE | {"match": "Alder v Birch"},
    {"gap_class": "tight", "choice": "reset"},
    {"side": "backhand", "stroke": "drive", "gap_cm": 35},
    {"gap_cm": 60, "choice": "attack", "ending": "winner"},
    SERVE,
    {"side": "forehand", "stroke": "drop", "gap_cm": 80, "ending": "winner"},
]


@pytest.fixture(scope="module")
def in_short(template):
    path = shutil.copy(template, template.with_name("short.xlsx"))
    details = [*DETAILS[:6], "Birch", *DETAILS[7:]]
    return type_in(path, IN_SHORT, details=details)


def test_the_other_player_is_charted_in_short(in_short, checked):
    check = checked(in_short)
    assert (check.rows_refused, len(check.problems), len(check.doubts)) == (0, 0, 0)
    own = check.shots[check.shots["match"] == "Alder v Birch"]
    assert own["player"].tolist() == ["Birch", "Alder"] * 2 + ["Alder", "Birch"]
    assert own["gap_class"].dropna().tolist() == ["tight"]
    assert own["side"].isna().tolist() == [False, True, False, True, False, False]
    assert own["choice"].tolist()[1:4] == ["reset", "reset", "attack"]
    assert "2 rows are charted in short" in check.notes[0]


@pytest.mark.slow
def test_a_row_in_short_has_no_remark_and_is_grey(in_short, soffice, tmp_path):
    soffice([in_short], tmp_path)
    log = openpyxl.load_workbook(tmp_path / in_short.name, data_only=True)["log"]
    remarks = [log.cell(row, len(LOG_COLUMNS)).value or "" for row in range(2, 11)]
    assert not any(remarks), remarks
    grey = openpyxl.load_workbook(in_short)["log"].conditional_formatting
    rules = {str(one.sqref).split(":")[0]: one.rules[0].formula[0] for one in grey}
    column = {cell.value: cell.column_letter for cell in log[1]}
    assert "'match details'!$G$2" in rules[f"{column['side']}2"]


def test_a_row_beyond_what_a_sheet_can_hold(tmp_path):
    book = openpyxl.Workbook()
    for row in (["match"], ["M1"]):
        book.active.append(row)
    book.save(tmp_path / "a.xlsx")
    old = zipfile.ZipFile(tmp_path / "a.xlsx")
    with old, zipfile.ZipFile(tmp_path / "b.xlsx", "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b'r="2"', b'r="2000000"'))
    with pytest.raises(LogError, match="more rows than a sheet can have"):
        check_log(tmp_path / "b.xlsx")


def test_an_enormous_workbook_is_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr("sidewall.log.workbook._LARGEST_UNPACKED", 5_000_000)
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", bytes(6_000_000))
    assert path.stat().st_size < 20_000
    with pytest.raises(LogError, match="unpacks to 6 MB"):
        check_log(path)


#: Words of the README in place of those of the lists, and the values they stand for.
LOOSE = [
    {"side": "BH", "stroke": "Service"},
    {"side": "fh", "stroke": "cross-court volley drop", "gap_cm": "20 cm", "ending": "Not up"},
    {"side": "FH", "stroke": "serve"},
    {"side": "Back hand", "stroke": "length", "gap_cm": 15, "ending": "yes let"},
    {"side": "FH", "stroke": "serve"},
    {"side": "FH", "stroke": "BH straight boast", "gap_cm": 60}
    | {"side": None, "ending": "no-let", "rally_won_by": "Rowan"},
    {"side": "b", "stroke": "serve"},
    {"side": "f", "stroke": "Drop shot", "gap_cm": "12,5", "ending": "Winning shot"},
]


@pytest.fixture(scope="module")
def loose(template):
    return type_in(shutil.copy(template, template.with_name("loose.xlsx")), LOOSE)


def test_words_that_the_readme_allows_may_be_typed(loose, checked):
    check = checked(loose)
    assert check.rows_used == 11
    assert check.doubts.empty
    own = check.shots[check.shots["rally"] > 1]
    assert own["player"].tolist() == [
        *("Rowan", "Hazel", "Rowan", "Hazel", "Rowan", "Hazel", "Rowan", "Hazel")
    ]
    assert own["rally_won_by"].dropna().tolist() == ["Rowan", "Rowan", "Hazel"]
    assert own["ending"].dropna().tolist() == ["down", "let", "no_let", "winner"]
    assert own["stroke"].tolist() == ["serve", "drop", "serve", "drive", "serve", "boast",
                                      "serve", "drop"]  # fmt: skip


def test_a_spreadsheet_understands_these_words_too(loose, soffice, tmp_path, checked):
    soffice([loose], tmp_path)
    saved = checked(tmp_path / loose.name)
    pd.testing.assert_frame_equal(saved.shots, checked(loose).shots)
    sheet = openpyxl.load_workbook(tmp_path / loose.name, data_only=True)["log"]
    column = [cell.value for cell in sheet[1]].index("remark") + 1
    remarks = [sheet.cell(row, column).value or "" for row in range(5, 13)]
    assert remarks == ["", "", "", "", "", "forehand or backhand?", "", ""]


@pytest.mark.slow
@pytest.mark.parametrize(("sheet", "cell"), [("match details", "A2"), ("log", "A2")])
def test_the_name_of_the_match_cleared(tmp_path, checked, sheet, cell):
    path = write_template(tmp_path / "log.xlsx")
    book = openpyxl.load_workbook(path)
    book[sheet][cell] = None
    book.save(path)
    check = checked(path)
    assert check.rows_in == check.rows_refused == 3
    assert "name of the match" in check.summary()
