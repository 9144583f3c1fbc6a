"""Open whatever a log comes as: text, workbook, Parquet or a table in memory."""

from __future__ import annotations

import os
import zipfile
import zlib
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.errors import LogError
from sidewall.log.decode import to_utf8
from sidewall.log.delimited import read_delimited
from sidewall.log.ledger import Folded
from sidewall.log.raw import RawColumn, RawLog, drop_blank_rows

Source: TypeAlias = str | os.PathLike[str] | pd.DataFrame

_START_OF_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"
_TEXT_SUFFIXES: Final = (".csv", ".tsv", ".txt", ".tab", "")


def open_log(
    path: Source,
    *,
    sheet: str | int | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> RawLog:
    """Read a log without understanding it.

    Raises
    ------
    LogError
        If there is no such file, or it cannot be read as what it is.
    """
    if isinstance(path, pd.DataFrame):
        raw = _from_frame(path, "the table given")
    else:
        file = Path(path)
        data = _bytes(file)
        suffix = file.suffix.lower()
        if suffix in (".xlsx", ".xlsm"):
            raw = _from_workbook(file, data, sheet)
        elif suffix in (".parquet", ".pq"):
            raw = _from_parquet(file)
        else:
            _refuse_other_formats(data, file)
            folded = Folded()
            text = to_utf8(data, file.name, encoding, folded)
            raw = read_delimited(text, file.name, delimiter, folded)
    return drop_blank_rows(raw)


def _bytes(file: Path) -> bytes:
    if file.is_dir():
        raise LogError(
            f"{file}: this is a folder. Give one file, or read each and join them with "
            "pandas.concat under match names of their own."
        )
    try:
        return file.read_bytes()
    except FileNotFoundError:
        raise LogError(
            f"{file}: there is no such file. Check the name and the folder, "
            f"{file.absolute().parent}."
        ) from None
    except OSError as error:
        raise LogError(
            f"{file}: the file cannot be opened ({error.strerror}). Close it elsewhere, or copy it "
            "to a folder that you may read."
        ) from error


def _refuse_other_formats(data: bytes, file: Path) -> None:
    if data.startswith(b"PK\x03\x04"):
        what, mend = "a workbook or another zipped file", "If it is a workbook, rename it to .xlsx"
    elif data.startswith(b"PAR1"):
        what, mend = "a Parquet file", "Rename it to .parquet"
    elif data.startswith(_START_OF_OLD_WORKBOOK):
        what, mend = "a workbook in the old format", "Save it as .xlsx or as CSV UTF-8"
    elif data.startswith(b"\x1f\x8b"):
        what, mend = "a compressed file", "Unpack it"
    else:
        return
    kind = file.suffix or "file without a suffix"
    raise LogError(f"{file.name}: this {kind} is really {what}. {mend}.")


def _from_frame(frame: pd.DataFrame, source: str) -> RawLog:
    if any(name is not None for name in frame.index.names):
        frame = frame.reset_index()
    columns = [
        (str(frame.columns[place]).strip(), RawColumn.of(frame.iloc[:, place]))
        for place in range(frame.shape[1])
    ]
    # As in a file: the headings are line 1.
    return RawLog(columns, np.arange(len(frame), dtype=np.int64) + 2, source)


def _from_parquet(file: Path) -> RawLog:
    import pyarrow as pa  # noqa: PLC0415

    try:
        frame = pd.read_parquet(file, engine="pyarrow")
    except (pa.ArrowException, OSError, ValueError) as error:
        raise LogError(
            f"{file.name}: the Parquet file cannot be read ({_first(error)}). It is damaged or no "
            "Parquet file: write it again."
        ) from error
    return _from_frame(frame, file.name)


def _from_workbook(file: Path, data: bytes, sheet: str | int | None) -> RawLog:
    import openpyxl  # noqa: PLC0415
    from openpyxl.utils.exceptions import InvalidFileException  # noqa: PLC0415

    if data.startswith(_START_OF_OLD_WORKBOOK):
        raise LogError(
            f"{file.name}: the workbook is in the old format or locked with a password. Save it as "
            ".xlsx without a password, or as CSV UTF-8."
        )
    try:
        book = openpyxl.load_workbook(file, read_only=True, data_only=True)
        try:
            tab = _sheet(book, sheet, file.name)
            tab.reset_dimensions()
            cells = [tuple(row) for row in tab.iter_rows(values_only=True)]
        finally:
            book.close()
    except (
        zipfile.BadZipFile,
        zlib.error,
        InvalidFileException,
        KeyError,
        ValueError,
        TypeError,
        AttributeError,
        EOFError,
        SyntaxError,  # what the XML parser raises
        OSError,
    ) as error:
        raise LogError(
            f"{file.name}: the workbook cannot be read ({_first(error)}). It is damaged or no "
            "workbook: open it in a spreadsheet and save it again as .xlsx or CSV UTF-8."
        ) from error
    return _from_cells(cells, file.name)


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


def _from_cells(cells: list[tuple[Any, ...]], source: str) -> RawLog:
    filled = [any(_filled(cell) for cell in row) for row in cells]
    if not any(filled):
        raise LogError(
            f"{source}: the sheet is empty. The first row holds the headings and every further row "
            "one shot; `sidewall template` writes a log to start from."
        )
    first = filled.index(True)
    last = len(filled) - 1 - filled[::-1].index(True)  # formatted, empty rows often follow
    body = cells[first + 1 : last + 1]
    width = max(len(row) for row in cells[first : last + 1])
    headings = [str(cell).strip() if _filled(cell) else "" for cell in cells[first]]
    headings += [""] * (width - len(headings))
    columns = [
        RawColumn.of(pd.Series([row[at] if at < len(row) else None for row in body], dtype=object))
        for at in range(width)
    ]
    kept = [at for at in range(width) if headings[at] or not columns[at].blank.all()]
    return RawLog(
        [(headings[at], columns[at]) for at in kept],
        np.arange(len(body), dtype=np.int64) + first + 2,
        source,
    )


def _filled(cell: Any) -> bool:
    return cell is not None and bool(str(cell).strip())


def _first(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0] or type(error).__name__
