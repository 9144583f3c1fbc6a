"""Read a workbook: its cells, the results of its formulas, and the sheet of match details."""

from __future__ import annotations

import io
import lzma
import re
import struct
import zipfile
import zlib
from itertools import islice
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from sidewall.errors import LogError
from sidewall.log.raw import RawColumn, RawLog
from sidewall.log.sheet_formulas import MATCH_DETAILS, recompute

_START_OF_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"
#: A million typed rows unpack to some hundred megabytes; beyond lies a trap or a mistake.
_LARGEST_UNPACKED: Final = 1_000_000_000
_MOST_ROWS: Final = 1_048_576  # of a sheet in this format
_MOST_COLUMNS: Final = 500
#: A cell with a formula and no stored result.
_NO_RESULT: Final = re.compile(
    rb"<(?:\w+:)?c\b([^>]*)>\s*<(?:\w+:)?f\b[^>]*?(?:/>|>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
_PLACE: Final = re.compile(rb'\br="([A-Z]+[0-9]+)"')

#: What the reader of the format and its parsers raise for a damaged file.
DAMAGE: Final = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
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


def read_workbook(data: bytes, source: str, sheet: str | int | None) -> RawLog:
    """Read one sheet of a workbook; formulas count by the result stored beside them.

    Parameters
    ----------
    data
        The file.
    source
        Its name for messages.
    sheet
        By name or from 0; the first by default.

    Raises
    ------
    LogError
        If it is damaged or unpacks to something enormous, there is no such sheet, the sheet
        is empty, or a formula has no stored result and is none of the template's own.
    """
    if data.startswith(_START_OF_OLD_WORKBOOK):
        raise LogError(
            f"{source}: the workbook is in the old format or locked with a password. Save it as "
            ".xlsx without a password, or as CSV UTF-8."
        )
    try:
        _refuse_enormous(data, source)
        found = _load(data, source, sheet, results=True)
        without = [_without_result(data, tab.part) if tab.part else [] for tab in found]
        if any(without):
            typed = _load(data, source, sheet, results=False)
            details = _settled(found[1], typed[1], without[1], [], source)
            cells = _settled(found[0], typed[0], without[0], details, source)
        else:
            cells, details = (tab.cells for tab in found)
    except DAMAGE as error:
        raise LogError(
            f"{source}: the workbook cannot be read ({first_line(error)}). It is damaged or no "
            "workbook: open it in a spreadsheet and save it again as .xlsx or CSV UTF-8."
        ) from error
    return _from_cells(cells, source, details)


def first_line(error: BaseException) -> str:
    """Return the first line of what an error says."""
    return (str(error).splitlines() or [""])[0] or type(error).__name__


def _refuse_enormous(data: bytes, source: str) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        size = sum(part.file_size for part in packed.infolist())
    if size > _LARGEST_UNPACKED:
        raise LogError(
            f"{source}: the workbook unpacks to {size / 1e6:,.0f} MB, which no log needs. "
            "Delete pictures and empty formatted rows, or save the sheet as CSV UTF-8."
        )


def _without_result(data: bytes, part: str) -> list[tuple[int, int]]:
    """Row and column, from 0, of the formulas of a sheet that have no stored result.

    A result that is an empty text is stored as such; the reader of the format does not tell
    it from none.
    """
    from openpyxl.utils.cell import coordinate_to_tuple  # noqa: PLC0415

    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        text = packed.read(part)
    if b"<f" not in text and b":f" not in text:
        return []
    found = []
    for match in _NO_RESULT.finditer(text):
        place = _PLACE.search(match[1])
        if place is not None and b't="str"' not in match[1]:
            row, column = coordinate_to_tuple(place[1].decode())
            found.append((row - 1, column - 1))
    return found


class _Tab(NamedTuple):
    """A sheet: its title, its part of the file, its cells."""

    title: str
    part: str
    cells: _Cells


def _load(data: bytes, source: str, sheet: str | int | None, *, results: bool) -> tuple[_Tab, _Tab]:
    """Load the sheet asked for and the match details, with formulas as text or as results."""
    import openpyxl  # noqa: PLC0415

    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=results)
    try:
        tab = _sheet(book, sheet, source)
        log = _Tab(tab.title, tab._worksheet_path, _rows(tab, source))
        details = _Tab(MATCH_DETAILS, "", [])
        for one in book.worksheets:
            if one.title == MATCH_DETAILS and one is not tab:
                details = _Tab(MATCH_DETAILS, one._worksheet_path, _rows(one, source))
        return log, details
    finally:
        book.close()


def _rows(tab: Any, source: str) -> _Cells:
    tab.reset_dimensions()
    cells = [tuple(row) for row in islice(tab.iter_rows(values_only=True), _MOST_ROWS + 1)]
    if len(cells) > _MOST_ROWS:
        raise LogError(
            f"{source}: the sheet {tab.title!r} claims more rows than a sheet can have. Open the "
            "workbook in a spreadsheet and save it again, or save it as CSV UTF-8."
        )
    return cells


def _sheet(book: Any, sheet: str | int | None, source: str) -> Any:
    names: list[str] = [tab.title for tab in book.worksheets]
    wanted = names[0] if sheet is None and names else sheet
    if isinstance(wanted, int) and 0 <= wanted < len(names):
        wanted = names[wanted]
    if wanted not in names:
        raise LogError(
            f"{source}: there is no sheet {wanted!r}. Its sheets are: "
            f"{', '.join(map(repr, names)) or 'none'}."
        )
    return book[wanted]


def _settled(
    found: _Tab, typed: _Tab, without: list[tuple[int, int]], details: _Cells, source: str
) -> _Cells:
    """Fill in formulas without a stored result: the template's own, and no others."""
    if not without:
        return found.cells
    foreign, filled = recompute(typed.cells, found.cells, without, details)
    if foreign:
        from openpyxl.utils import get_column_letter  # noqa: PLC0415

        row, column = foreign[0]
        raise LogError(
            f"{source}: the formula in {get_column_letter(column + 1)}{row + 1} of the sheet "
            f"{found.title!r} has no stored result ({len(foreign)} such cells). Open the workbook "
            "in a spreadsheet and save it there, which stores the results, or put values in place "
            "of the formulas."
        )
    return filled


def _from_cells(cells: _Cells, source: str, details: _Cells) -> RawLog:
    raw = _table(cells, source)
    if raw is None:
        raise LogError(
            f"{source}: the sheet is empty. The first row holds the headings and every further row "
            "one shot; `sidewall template` writes a log to start from."
        )
    beside = _table(details, f"{source}, sheet {MATCH_DETAILS!r}")
    return raw if beside is None else RawLog(raw.columns, raw.lines, source, match_details=beside)


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
            str(head[at]).strip() if at < len(head) and _filled(head[at]) else "",
            RawColumn.of(
                pd.Series([row[at] if at < len(row) else None for row in body], dtype=object)
            ),
        )
        for at in sorted(used)
    ]
    return RawLog(columns, np.arange(len(body), dtype=np.int64) + first + 2, source)


def _filled(cell: Any) -> bool:
    return cell is not None and bool(str(cell).strip())
