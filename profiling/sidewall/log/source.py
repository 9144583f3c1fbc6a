"""Open whatever a log comes as: text, workbook, Parquet or a table in memory."""

from __future__ import annotations

import errno
import io
import os
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.arguments import ArrowTable, as_frame
from sidewall.errors import DataError, LogError
from sidewall.log.columns import missing_columns
from sidewall.log.decode import to_utf8
from sidewall.log.delimited import read_delimited
from sidewall.log.ledger import Folded
from sidewall.log.raw import RawColumn, RawLog, drop_blank_rows
from sidewall.log.workbook import DAMAGE, Needs, Sheet, first_line, read_workbook

Source: TypeAlias = str | os.PathLike[str] | pd.DataFrame | ArrowTable

_START_OF_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"
_OPEN_DOCUMENT: Final = b"mimetypeapplication/vnd.oasis.opendocument"
_WORKBOOKS: Final = (".xlsx", ".xlsm")


def open_log(
    path: Source | RawLog,
    *,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
    needs: Needs | None = missing_columns,
) -> RawLog:
    """Read a log without understanding it.

    Parameters
    ----------
    path, sheet, delimiter, encoding
        As in :func:`sidewall.check_log`.
    needs
        Says which required columns headings lack: the sheets of a workbook that lack none are
        read. Where it is None, those with the headings of the first.

    Raises
    ------
    LogError
        If there is no such file, or it cannot be read as what it is.
    """
    if isinstance(path, RawLog):
        return path
    if not isinstance(path, str | os.PathLike):
        try:
            raw = _from_frame(as_frame(path, "the log"), "the table given")
        except DataError as error:
            raise LogError(f"{error}. Or give the name of a file.") from None
    else:
        file = Path(path)
        data = _bytes(file)
        suffix = file.suffix.lower()
        if sheet is not None and suffix not in _WORKBOOKS:
            raise LogError(f"{file.name}: only a workbook has sheets. Leave the sheet out.")
        _refuse_other_formats(data, file)
        if suffix in _WORKBOOKS:
            raw = read_workbook(data, file.name, sheet, needs)
        elif suffix in (".parquet", ".pq"):
            raw = _from_parquet(data, file.name)
        else:
            folded = Folded()
            text = to_utf8(data, file.name, encoding, folded)
            raw = read_delimited(text, file.name, delimiter, folded)
    return drop_blank_rows(raw)


def _bytes(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise LogError(
                f"{file}: this is a folder. Give one file, or read each and join them with "
                "pandas.concat under match names of their own."
            )
        return file.read_bytes()
    except FileNotFoundError:
        raise LogError(f"{file}: there is no such file. Check the name and the folder.") from None
    except ValueError as error:
        raise LogError(f"{str(file)!r} is no name of a file ({error}).") from error
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            name = str(file)
            raise LogError(
                f"{name[:40]}…{name[-20:]}: the name of the file has {len(name):,} characters, "
                "which is too long. Shorten it, or move the file up."
            ) from None
        raise LogError(
            f"{file}: the file cannot be opened ({error.strerror}). Close it elsewhere, or copy it "
            "to a folder that you may read."
        ) from error


def _refuse_other_formats(data: bytes, file: Path) -> None:
    suffix = file.suffix.lower()
    if data.startswith(b"PK\x03\x04") and _OPEN_DOCUMENT in data[:200]:
        what = "an OpenDocument file"
        mend = (
            "Open it in the spreadsheet program and save it from there as .xlsx or as CSV UTF-8; "
            "renaming does not help"
        )
    elif suffix in (*_WORKBOOKS, ".parquet", ".pq"):
        return  # its own reader says what it finds
    elif data.startswith(b"PK\x03\x04"):
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


def _from_parquet(data: bytes, source: str) -> RawLog:
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    try:
        table = parquet.read_table(io.BytesIO(data))
        table.validate(full=True)  # text that is no UTF-8 would be found only where it is used
        frame = table.to_pandas()
    except (pa.ArrowException, *DAMAGE) as error:
        raise LogError(
            f"{source}: the Parquet file cannot be read ({first_line(error)}). It is damaged or no "
            "Parquet file: write it again."
        ) from error
    return _from_frame(frame, source)
