"""Read a workbook: its sheets that hold a log, the results of formulas, the match details."""

from __future__ import annotations

import io
import lzma
import re
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from html import unescape
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.arguments import first_of
from sidewall.court.units import fold_name
from sidewall.errors import LogError
from sidewall.log.columns import understand
from sidewall.log.raw import RawColumn, RawLog, shown_list
from sidewall.log.sheet_formulas import MATCH_DETAILS, recompute

#: A sheet by name or from 0, or several of them.
Sheet: TypeAlias = str | int | Sequence[str | int]
#: Says which required columns headings lack; for no headings, all of them.
Needs: TypeAlias = Callable[[list[str]], list[str]]

_START_OF_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"
#: A million typed rows unpack to some hundred megabytes; beyond lies a trap or a mistake.
_LARGEST_UNPACKED: Final = 1_000_000_000
_MOST_ROWS: Final = 1_048_576  # of a sheet in this format
_MOST_CELLS: Final = 20_000_000  # between the corners of a sheet, empty ones counted
_MOST_COLUMNS: Final = 500
#: So many rows from the top are searched for headings below a title.
_SEARCHED: Final = 20
_SHOWN_NUMBERS: Final = 10

#: A cell with a formula and no stored result.
_NO_RESULT: Final = re.compile(
    rb"<(?:\w+:)?c\b([^>]*)>\s*<(?:\w+:)?f\b[^>]*?(?:/>|>([^<]*)</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
#: A cell that shows an error, such as that of a division by zero.
_ERROR: Final = re.compile(
    rb"<(?:\w+:)?c\b([^>]*\bt=[\"']e[\"'][^>]*)>"
    rb"(?:(?!</(?:\w+:)?c>).)*?<(?:\w+:)?v>([^<]*)</(?:\w+:)?v>",
    re.DOTALL,
)
_PLACE: Final = re.compile(rb"\br=[\"']([A-Z]+)([0-9]+)[\"']")
_ROWS: Final = re.compile(rb"\br=[\"'][A-Z]*([0-9]+)[\"']")
_COLUMNS: Final = re.compile(rb"\br=[\"']([A-Z]+)[0-9]+[\"']")
_HIDDEN: Final = re.compile(rb"<(?:\w+:)?(row|col)\b([^>]*\bhidden=[\"'](?:1|true)[\"'][^>]*)>")
_NUMBER: Final = re.compile(rb"\b(r|min|max)=[\"']([0-9]+)[\"']")

#: What the parsers of the format raise for a damaged file, besides the reader's own error.
DAMAGE: Final = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    AssertionError,
    ArithmeticError,
    RuntimeError,
    EOFError,
    SyntaxError,  # what the XML parser raises
    OSError,
)

_Cells = list[tuple[Any, ...]]


def read_workbook(
    data: bytes, source: str, sheet: Sheet | None = None, needs: Needs | None = None
) -> RawLog:
    """Read the sheets of a workbook that hold a log, below one another.

    Formulas count by the result stored beside them. Sheets are named, or from 0; by default those
    that lack none of the columns that `needs` asks for, or else with the headings of the first
    that holds anything. A LogError if the file is damaged or unpacks to something enormous, there
    is no such sheet, the sheets are empty, one is nearly a log, or a formula has no stored result
    and is none of the template's own.
    """
    from python_calamine import CalamineError  # noqa: PLC0415

    if data.startswith(_START_OF_OLD_WORKBOOK):
        raise LogError(
            f"{source}: the workbook is in the old format or locked with a password. Save it as "
            ".xlsx without a password, or as CSV UTF-8."
        )
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            _refuse_enormous(packed, source)
            torn = packed.testzip()  # the reader of cells compares no check sums
            if torn is not None:
                raise ValueError(f"its part {torn} is not as it was written")
            book = _Book(data, packed, source)
            tabs = _chosen(book, sheet, needs)
            raw = _joined([book.table(tab) for tab in tabs], [tab.title for tab in tabs], source)
            details = book.details(tabs)
            read = {tab.title for tab in tabs} | {MATCH_DETAILS}
            return replace(
                raw,
                match_details=details,
                sheets=tuple(tab.title for tab in tabs),
                passed_over=tuple(tab.title for tab in book.tabs if tab.title not in read),
                notes=[note for tab in tabs for note in tab.notes()],
            )
    except (CalamineError, *DAMAGE) as error:
        raise LogError(
            f"{source}: the workbook cannot be read ({first_line(error)}). It is damaged or no "
            "workbook: open it in a spreadsheet and save it again as .xlsx or CSV UTF-8."
        ) from error


def first_line(error: BaseException) -> str:
    """Return the first line of what an error says."""
    return (str(error).splitlines() or [""])[0] or type(error).__name__


def _refuse_enormous(packed: zipfile.ZipFile, source: str) -> None:
    size = sum(part.file_size for part in packed.infolist())
    if size > _LARGEST_UNPACKED:
        raise LogError(
            f"{source}: the workbook unpacks to {size / 1e6:,.0f} MB, which no log needs. "
            "Delete pictures and empty formatted rows, or save the sheet as CSV UTF-8."
        )


@dataclass
class _Tab:
    """A sheet of cells: its title, its part of the file, its cells with formulas' results.

    A part without a result is None; an empty text is None too.
    """

    title: str
    part: bytes
    cells: _Cells
    hidden: bool

    @cached_property
    def first(self) -> int | None:
        """The first row that holds anything, from 0: the headings."""
        return next((at for at, row in enumerate(self.cells) if any(map(_filled, row))), None)

    def headings(self, row: int | None = None) -> list[str]:
        """Cells of a row as headings; of the first that holds anything by default."""
        at = self.first if row is None else row
        return [] if at is None else [_text(cell) for cell in self.cells[at] if _filled(cell)]

    def notes(self) -> list[str]:
        """Say what of the sheet is read although a spreadsheet does not show it."""
        found: dict[bytes, list[int]] = {b"row": [], b"col": []}
        last = len(self.cells), max(map(len, self.cells), default=0)
        for match in _HIDDEN.finditer(self.part):
            numbers = {name: int(number) for name, number in _NUMBER.findall(match[2])}
            if match[1] == b"row" and numbers.get(b"r", 0) <= last[0]:
                found[b"row"].append(numbers.get(b"r", 0))
            elif match[1] == b"col":
                end = min(numbers.get(b"max", 0), last[1])
                found[b"col"] += range(numbers.get(b"min", 1), end + 1)
        rows = [at for at in found[b"row"] if at and any(map(_filled, self.cells[at - 1]))]
        said = []
        if self.hidden:
            said.append(f"The sheet {self.title!r} is hidden in the workbook, and is read.")
        for what, shown in (
            ("row", [str(at) for at in rows]),
            ("column", [_letters(at) for at in found[b"col"]]),
        ):
            if shown:
                listed = first_of(shown, _SHOWN_NUMBERS)
                many = f"{what}s are" if len(shown) > 1 else f"{what} is"
                said.append(
                    f"Sheet {self.title!r}: {len(shown)} hidden {many} read: {listed}. "
                    "Delete what does not belong to the log."
                )
        return said


class _Book:
    """The sheets of a workbook."""

    def __init__(self, data: bytes, packed: zipfile.ZipFile, source: str) -> None:
        from python_calamine import (  # noqa: PLC0415
            SheetTypeEnum,
            SheetVisibleEnum,
            load_workbook,
        )

        self.source = source
        parts = _parts(packed)
        book = load_workbook(io.BytesIO(data))
        self.tabs = []
        for one in book.sheets_metadata:
            if one.typ != SheetTypeEnum.WorkSheet:
                continue  # a sheet that is a picture of a chart holds no cells
            part = packed.read(parts[one.name])
            self._refuse_stretched(one.name, part)
            cells = _cells(book.get_sheet_by_name(one.name), part)
            hidden = one.visible != SheetVisibleEnum.Visible
            self.tabs.append(_Tab(one.name, part, cells, hidden))

    def _refuse_stretched(self, title: str, part: bytes) -> None:
        """The reader makes a cell for every place between the corners of a sheet."""
        rows = max(map(int, _ROWS.findall(part)), default=0)
        columns = max(map(_number, set(_COLUMNS.findall(part))), default=0)
        if rows > _MOST_ROWS or rows * columns > _MOST_CELLS:
            what = (
                "more rows than a sheet can have"
                if rows > _MOST_ROWS
                else f"{rows:,} rows of {columns:,} columns"
            )
            raise LogError(
                f"{self.source}: the sheet {title!r} claims {what}. Open the workbook in a "
                "spreadsheet, delete what stands far off, and save it again, or save the log's own "
                "sheet as CSV UTF-8."
            )

    def details(self, tabs: list[_Tab]) -> RawLog | None:
        """Return the match details; None without them, or where they are what is read."""
        for tab in self.tabs:
            if tab.title == MATCH_DETAILS and tab not in tabs:
                return _table(self._settled(tab, []), f"{self.source}, sheet {MATCH_DETAILS!r}")
        return None

    def table(self, tab: _Tab) -> RawLog:
        """Return the rows of a sheet that holds something."""
        beside = next((one.cells for one in self.tabs if one.title == MATCH_DETAILS), [])
        source = self.source if len(self.tabs) == 1 else f"{self.source}, sheet {tab.title!r}"
        raw = _table(self._settled(tab, beside), source)
        if raw is None:
            raise LogError(_empty(source))
        return raw

    def _settled(self, tab: _Tab, details: _Cells) -> _Cells:
        """Fill in formulas without a stored result: the template's own, and no others.

        A result that is an empty text is stored as such.
        """
        if b"<f" not in tab.part and b":f" not in tab.part:
            return tab.cells
        without = {}
        for match in _NO_RESULT.finditer(tab.part):
            place = _PLACE.search(match[1])
            if place is not None and not re.search(rb"\bt=[\"']str[\"']", match[1]):
                at = int(place[2]) - 1, _number(place[1]) - 1
                without[at] = "=" + unescape((match[2] or b"").decode("utf-8"))
        foreign, filled = recompute(tab.cells, without, details)
        if foreign:
            row, column = foreign[0]
            raise LogError(
                f"{self.source}: the formula in {_letters(column + 1)}{row + 1} of the sheet "
                f"{tab.title!r} has no stored result ({len(foreign)} such cells). Open the "
                "workbook in a spreadsheet and save it there, which stores the results, or put "
                "values in place of the formulas."
            )
        return filled


def _parts(packed: zipfile.ZipFile) -> dict[str, str]:
    """Part of the file that holds each sheet, by title."""
    targets = {
        one.get("Id"): str(one.get("Target"))
        for one in ET.fromstring(packed.read("xl/_rels/workbook.xml.rels"))
    }
    found = {}
    for one in ET.fromstring(packed.read("xl/workbook.xml")).iter():
        if one.tag.rpartition("}")[2] == "sheet":
            key = next(text for name, text in one.items() if name.endswith("}id"))
            target = targets[key]
            place = target[1:] if target.startswith("/") else f"xl/{target}"
            found[str(one.get("name"))] = place
    return found


def _cells(sheet: Any, part: bytes) -> _Cells:
    """Cells from A1: nothing as None, whole numbers as such, and errors as they show."""
    rows = [
        [
            None
            if cell == ""
            else int(cell)
            if type(cell) is float and cell.is_integer() and abs(cell) < 1e15
            else cell
            for cell in row
        ]
        for row in sheet.to_python(skip_empty_area=False)
    ]
    for match in _ERROR.finditer(part):  # which the reader leaves blank
        place = _PLACE.search(match[1])
        if place is None:
            raise ValueError("a cell that does not say its place")
        row, column = int(place[2]) - 1, _number(place[1]) - 1
        rows += [[] for _ in range(row + 1 - len(rows))]
        rows[row] += [None] * (column + 1 - len(rows[row]))
        rows[row][column] = match[2].decode("utf-8")
    return [tuple(row) for row in rows]


def _number(letters: bytes) -> int:
    """Number of a column, from 1."""
    number = 0
    for letter in letters:
        number = 26 * number + letter - ord("A") + 1
    return number


def _letters(number: int) -> str:
    """Letters of a column numbered from 1."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _chosen(book: _Book, sheet: Sheet | None, needs: Needs | None) -> list[_Tab]:
    """Return the sheets to read, in the order of the workbook."""
    if sheet is not None:
        return _asked_for(book, sheet)
    tabs = [tab for tab in book.tabs if tab.title != MATCH_DETAILS] or book.tabs
    tabs = [tab for tab in tabs if tab.first is not None]
    if not tabs:
        raise LogError(_empty(book.source))
    if needs is None:
        same = {fold_name(text) for text in tabs[0].headings()}
        return [tab for tab in tabs if {fold_name(text) for text in tab.headings()} == same]
    most = len(needs([]))
    lacks = {tab.title: needs(tab.headings()) for tab in tabs}
    hold = [tab for tab in tabs if not lacks[tab.title]]
    nearly = {}
    for tab in tabs:
        lower = _lower_headings(tab, needs, most)
        if lower is not None and len(lacks[tab.title]) > len(needs(tab.headings(lower))):
            nearly[tab.title] = (
                f"the headings of the sheet {tab.title!r} seem to stand in row {lower + 1}. "
                "Delete the rows above them"
            )
        elif 0 < len(lacks[tab.title]) <= most / 2 and hold:
            nearly[tab.title] = (
                f"the sheet {tab.title!r} is nearly a log, but lacks "
                f"{', '.join(lacks[tab.title])}. The headings found are: "
                f"{shown_list(tab.headings())}. Add or rename the columns"
            )
    if nearly:
        others = ", ".join(repr(tab.title) for tab in hold)
        named = f", or name the sheets to read (sheet=, --sheet), such as {others}" if hold else ""
        raise LogError(f"{book.source}: {next(iter(nearly.values()))}{named}.")
    return hold or [min(tabs, key=lambda tab: len(lacks[tab.title]))]


def _lower_headings(tab: _Tab, needs: Needs, most: int) -> int | None:
    """Row below the first that looks like headings, from 0."""
    first = tab.first or 0
    for row in range(first + 1, min(first + _SEARCHED, len(tab.cells))):
        if len(needs(tab.headings(row))) <= most / 2:
            return row
    return None


def _asked_for(book: _Book, sheet: Sheet) -> list[_Tab]:
    names = [tab.title for tab in book.tabs]
    wanted = set()
    for one in [sheet] if isinstance(sheet, str | int) else sheet:
        at = names[one] if isinstance(one, int) and 0 <= one < len(names) else one
        if at not in names:
            raise LogError(
                f"{book.source}: there is no sheet {at!r}. Its sheets are: "
                f"{', '.join(map(repr, names)) or 'none'}."
            )
        wanted.add(at)
    return [tab for tab in book.tabs if tab.title in wanted]


def _joined(tables: list[RawLog], titles: list[str], source: str) -> RawLog:
    """Put sheets below one another: columns that mean the same, or have the same heading.

    A LogError if a length stands in one unit on one sheet and in another on the next.
    """
    if len(tables) == 1:
        return tables[0]
    keys: dict[tuple[str, int], str] = {}  # what a column means, and which of several it is
    units: dict[str, tuple[str, str]] = {}
    found: list[dict[tuple[str, int], RawColumn]] = []
    for title, table in zip(titles, tables, strict=True):
        mine: dict[tuple[str, int], RawColumn] = {}
        for text, column in table.columns:
            name, unit = understand(text) or (f"={fold_name(text)}", None)
            if units.setdefault(name, (unit or "", title))[0] != (unit or ""):
                raise LogError(
                    f"{source}: the heading {text!r} of the sheet {title!r} gives {name} in "
                    f"another unit than that of the sheet {units[name][1]!r}. Use one unit on all "
                    "sheets, or read the sheets one by one (sheet=, --sheet)."
                )
            key = name, sum(other[0] == name for other in mine)
            mine[key] = column
            keys.setdefault(key, text)
        found.append(mine)
    columns = []
    for key, text in keys.items():
        parts = [
            mine.get(key, RawColumn.constant("", len(table.lines)))
            for mine, table in zip(found, tables, strict=True)
        ]
        columns.append((text, RawColumn.below(parts)))
    return RawLog(
        columns,
        np.concatenate([table.lines for table in tables]),
        source,
        sheet_of=np.repeat(np.arange(len(tables)), [len(table.lines) for table in tables]),
    )


def _empty(source: str) -> str:
    return (
        f"{source}: the sheet is empty. The first row holds the headings and every further row "
        "one shot; `sidewall template` writes a log to start from."
    )


def _table(cells: _Cells, source: str) -> RawLog | None:
    filled = [any(map(_filled, row)) for row in cells]
    if not any(filled):
        return None
    first = filled.index(True)
    last = len(filled) - 1 - filled[::-1].index(True)  # formatted, empty rows often follow
    head, body = cells[first], cells[first + 1 : last + 1]
    used = {at for row in (head, *body) for at, cell in enumerate(row) if _filled(cell)}
    if len(used) > _MOST_COLUMNS:
        raise LogError(
            f"{source}: {len(used):,} columns hold something, which no log needs. Delete what "
            "does not belong to it, or save the log's own sheet as CSV UTF-8."
        )
    columns = [
        (
            _text(head[at]) if at < len(head) and _filled(head[at]) else "",
            RawColumn.of(
                pd.Series([row[at] if at < len(row) else None for row in body], dtype=object)
            ),
        )
        for at in sorted(used)
    ]
    return RawLog(columns, np.arange(len(body), dtype=np.int64) + first + 2, source)


def _filled(cell: Any) -> bool:
    return cell is not None and bool(str(cell).strip())


def _text(cell: Any) -> str:
    return str(cell).strip()
