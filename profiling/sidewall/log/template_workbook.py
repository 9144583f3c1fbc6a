"""The workbook of the template: a log that fills itself in as far as it can."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from io import BytesIO
from math import ceil
from typing import Any, Final

from sidewall.log.columns import COLUMNS, SPECS
from sidewall.log.sheet_formulas import (
    DETAIL_COLUMNS,
    FILLED,
    LETTERS,
    LOG_COLUMNS,
    MATCH_DETAILS,
    MOST_SHOTS,
    REMARKS,
    SERVES,
    detail_range,
    formula,
    in_short,
)
from sidewall.log.vocabulary import HANDS, VOCABULARY
from sidewall.log.writing import room_for_workbook

DETAIL_WORDS: Final = {
    "match": "A name of its own for every match. The first match is filled into the log.",
    "player_1": "One of the two players, spelled the same everywhere.",
    "player_2": "The other player.",
    "hand_1": "Hand of player_1.",
    "hand_2": "Hand of player_2.",
    "serves_first": "Who serves the first rally; the log then knows who strikes every shot.",
    "in_full": "Who is charted in full, where only one is; of the other then type gap_class (or "
    "the gap) and choice, and the ending.",
    "date": "Date of the match: 2026-03-31.",
    "tin_height_cm": "Height of the tin.",
    "board_width_cm": "Width of one floorboard; needed where gaps are counted in boards.",
    "scoring": "Scoring of the match, such as par11.",
}
_BY_FORMULA: Final = {
    "match": "as above; the first from match details. Type over it when a new match begins",
    "game": "as above. Type over it when a new game begins",
    "rally": "one more after every ending",
    "shot": "counts by itself; 1 after an ending",
    "player": "the two players in turn; the winner of a rally serves the next, after a let the "
    "same server",
    "rally_won_by": "from the ending. Pick the player after a stroke or a no_let",
    "opponent": "the other player of the match details",
}


def explanations(gap_heading: str = "gap_cm") -> list[tuple[str, str, str, str, str, str]]:
    """Return sheet, heading, who fills it in, meaning, allowed words and an example."""
    rows = []
    for spec in COLUMNS:
        words = HANDS if spec.name == "hand" else VOCABULARY.get(spec.name, ())
        heading = spec.name
        if spec.name == "gap":
            others = [f"gap_{unit}" for unit in ("cm", "in", "m", "boards")]
            heading = f"{gap_heading} (or {', '.join(one for one in others if one != gap_heading)})"
        elif spec.kind == "length":
            plain = f"{spec.name} (in metres), " if spec.metres_assumed else ""
            heading = f"{plain}{spec.name}_cm or {spec.name}_in"
        meaning = spec.meaning
        if spec.name in FILLED:
            filled = "a formula"
            meaning += f"; {_BY_FORMULA[spec.name]}"
        elif spec.required:
            filled = "you"
        else:
            filled = "you, if you like"
        sheet = "log" if spec.name in LOG_COLUMNS else "log, if added"
        rows.append((sheet, heading, filled, meaning, ", ".join(words), spec.example))
    remark = "what contradicts the row above or is missing still; coloured with the cell at fault"
    rows.append(("log", "remark", "a formula", remark, "", "the same player twice running"))
    for name in DETAIL_COLUMNS:
        hands = ", ".join(HANDS) if name.startswith("hand") else ""
        filled = "you" if name in ("match", "player_1", "player_2") else "you, if you like"
        key = name.removesuffix("_cm").removesuffix("_1").removesuffix("_2")
        shown = SPECS[{"serves_first": "player", "in_full": "player"}.get(key, key)].example
        if name == "player_2":
            shown = "Hazel"
        rows.append((MATCH_DETAILS, name, filled, DETAIL_WORDS[name], hands, shown))
    return rows


#: Dark text on light fills, readable in print and by every reader: the remark says it too.
_FONT: Final = "Calibri"
_WRONG: Final = "FBD5C5"
_NOT_NEEDED: Final = "E4E4E4"
_FILLED_TEXT: Final = "555555"
_HEAD: Final = "DCE6F1"
_WIDTHS: Final = {"match": 22, "player": 13, "opponent": 13, "rally_won_by": 14, "remark": 46}
_OWN_WORD: Final = "Keep it if it is a usual word, such as FH, length or not up."
_OWN_NAME: Final = "This is not in the match details."
_NARROW: Final = ("game", "rally", "shot", "t")
_EXAMPLE: Final = {
    "match": "Rowan v Hazel",
    "player_1": "Rowan",
    "player_2": "Hazel",
    "hand_1": "right",
    "hand_2": "right",
    "serves_first": "Rowan",
}


def workbook_bytes(gap_heading: str, example: list[dict[str, Any]]) -> bytes:
    """Make the workbook; the heading of the gap has its unit.

    The example is rows to start with: values by column; what formulas fill in is left to them.
    """
    from openpyxl import Workbook  # noqa: PLC0415

    book = Workbook()
    log = book.active
    log.title = "log"
    log.append([gap_heading if name == "gap" else name for name in LOG_COLUMNS])
    for row in range(2, MOST_SHOTS + 2):
        shot = example[row - 2] if row - 2 < len(example) else {}
        log.append(
            [formula(name, row) if name in FILLED else shot.get(name) for name in LOG_COLUMNS]
        )
    details = book.create_sheet(MATCH_DETAILS)
    details.append(list(DETAIL_COLUMNS))
    details.append([_EXAMPLE.get(name) for name in DETAIL_COLUMNS])
    _explain(book.create_sheet("columns"), gap_heading)
    _style_log(log)
    _style(details, {name: 17 for name in DETAIL_COLUMNS} | {"match": 24})
    for place, name in enumerate(DETAIL_COLUMNS, 1):
        _note(details.cell(1, place), DETAIL_WORDS[name])
    _lists(log, details)
    _colours(log)
    data = BytesIO()
    with room_for_workbook():
        book.save(data)
    book.close()
    return data.getvalue()


def _style(sheet: Any, widths: Mapping[str, int]) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill  # noqa: PLC0415

    sheet.freeze_panes = "A2"
    for cell, width in zip(sheet[1], widths.values(), strict=True):
        cell.font = Font(name=_FONT, bold=True)
        cell.fill = PatternFill("solid", start_color=_HEAD)
        cell.alignment = Alignment(vertical="center")
        sheet.column_dimensions[cell.column_letter].width = width
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"


def _style_log(sheet: Any) -> None:
    from openpyxl.styles import Alignment, Font  # noqa: PLC0415

    widths = {name: _WIDTHS.get(name, 7 if name in _NARROW else 13) for name in LOG_COLUMNS}
    _style(sheet, widths)
    for name in LOG_COLUMNS:
        first, *others = sheet[LETTERS[name]][1:]
        first.font = Font(name=_FONT, color=_FILLED_TEXT if name in FILLED else "000000")
        number = name in (*_NARROW, "gap")
        first.alignment = Alignment(horizontal="center" if number else "left")
        for cell in others:  # one style for all: a font for each takes seconds
            cell._style = copy(first._style)
    sheet.auto_filter.ref = f"A1:{LETTERS[LOG_COLUMNS[-1]]}{MOST_SHOTS + 1}"


def _note(cell: Any, text: str) -> None:
    from openpyxl.comments import Comment  # noqa: PLC0415

    cell.comment = Comment(text, "sidewall", width=260, height=90)


def _explain(sheet: Any, gap_heading: str) -> None:
    from openpyxl.styles import Alignment  # noqa: PLC0415

    titles = ("sheet", "column", "who fills it in", "meaning", "words to choose from", "example")
    sheet.append(list(titles))
    for line in explanations(gap_heading):
        sheet.append(list(line))
    widths = (15, 30, 16, 60, 48, 18)
    _style(sheet, dict(zip(titles, widths, strict=True)))
    for row in sheet.iter_rows(min_row=2):
        lengths = [len(str(cell.value or "")) for cell in row]
        lines = [ceil(long / wide) for long, wide in zip(lengths, widths, strict=True)]
        sheet.row_dimensions[row[0].row].height = 15 * max(1, *lines)
        for cell in row:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            cell.data_type = "s" if isinstance(cell.value, str) else cell.data_type


def _lists(log: Any, details: Any) -> None:
    """Drop-down lists and limits; whatever the reader understands may be typed after a warning."""
    end = MOST_SHOTS + 1

    def cells(name: str) -> str:
        return f"{LETTERS[name]}2:{LETTERS[name]}{end}"

    for name, words in VOCABULARY.items():
        if name not in LOG_COLUMNS:
            continue  # may be added by hand
        log.add_data_validation(_listed(f'"{",".join(words)}"', cells(name), _OWN_WORD))
    row = f"MATCH($A2,{detail_range('match')},0)"
    both = detail_range("player_1").split(":")[0] + ":" + detail_range("player_2").split(":")[1]
    for name in ("player", "rally_won_by"):
        log.add_data_validation(_listed(f"INDEX({both},{row},0)", cells(name), _OWN_NAME))
    log.add_data_validation(_listed(detail_range("match"), cells("match"), _OWN_NAME))
    for name in ("game", "rally", "shot"):
        log.add_data_validation(_number("whole", 1, cells(name), "A whole number from 1."))
    log.add_data_validation(_number("decimal", 0, cells("gap"), "A number, without its unit."))
    below = {name: detail_range(name).split("!")[1].replace("$", "") for name in DETAIL_COLUMNS}
    for name in ("hand_1", "hand_2"):
        details.add_data_validation(_listed(f'"{",".join(HANDS)}"', below[name], _OWN_WORD))
    for name in ("serves_first", "in_full"):
        details.add_data_validation(_listed("$B2:$C2", below[name], _OWN_NAME))
    for name in ("tin_height_cm", "board_width_cm"):
        details.add_data_validation(_number("decimal", 0, below[name], "Centimetres."))
    for line in details[below["date"]]:
        line[0].number_format = "yyyy-mm-dd"


def _listed(source: str, where: str, warning: str) -> Any:
    from openpyxl.worksheet.datavalidation import DataValidation  # noqa: PLC0415

    rule = DataValidation(type="list", formula1=source, allow_blank=True)
    return _warning(rule, "Not in the list", warning, where)


def _number(kind: str, least: int, where: str, text: str) -> Any:
    from openpyxl.worksheet.datavalidation import DataValidation  # noqa: PLC0415

    rule = DataValidation(
        type=kind, operator="greaterThanOrEqual", formula1=str(least), allow_blank=True
    )
    return _warning(rule, "Not a number", text, where)


def _warning(rule: Any, title: str, text: str, where: str) -> Any:
    """Let a rule warn, and leave what was typed."""
    rule.errorStyle, rule.errorTitle, rule.error = "warning", title, text
    rule.showErrorMessage = True
    rule.add(where)
    return rule


def _colours(log: Any) -> None:
    """Colour the cell that a remark is about, the remark, and cells that are not needed."""
    from openpyxl.formatting.rule import FormulaRule  # noqa: PLC0415
    from openpyxl.styles import Font, PatternFill  # noqa: PLC0415

    end = MOST_SHOTS + 1
    wrong = PatternFill("solid", bgColor=_WRONG)
    bold = Font(bold=True, color="7A1F00")
    remark = LETTERS["remark"]
    by_column: dict[str, list[str]] = {}
    for text, column in REMARKS.items():
        by_column.setdefault(column, []).append(f'${remark}2="{text}"')
    for column, tests in by_column.items():
        at = LETTERS[column]
        rule = FormulaRule(formula=[f"OR({','.join(tests)})"], fill=wrong, font=bold)
        log.conditional_formatting.add(f"{at}2:{at}{end}", rule)
    rule = FormulaRule(formula=[f"LEN(${remark}2)>0"], fill=wrong, font=bold)
    log.conditional_formatting.add(f"{remark}2:{remark}{end}", rule)
    gap, stroke = LETTERS["gap"], LETTERS["stroke"]
    rule = FormulaRule(
        formula=[SERVES.format(f"${stroke}2")], fill=PatternFill("solid", bgColor=_NOT_NEEDED)
    )
    log.conditional_formatting.add(f"{gap}2:{LETTERS['gap_class']}{end}", rule)
    # what a row of the player charted in short may leave blank
    rule = FormulaRule(formula=[in_short(2)], fill=PatternFill("solid", bgColor=_NOT_NEEDED))
    for first, last in (("side", "contact"), ("balance", "bounce")):
        log.conditional_formatting.add(f"{LETTERS[first]}2:{LETTERS[last]}{end}", rule)
