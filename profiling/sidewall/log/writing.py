"""Write tables of user text so that no spreadsheet runs a cell of them.

A cell of a CSV file that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line break is
run as a formula by spreadsheets. An apostrophe before it keeps it text; the reader takes
the apostrophe off names again. Plain numbers are left alone: they are no formula.
"""

from __future__ import annotations

import io
import os
import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame
from sidewall.errors import LogError
from sidewall.files import cannot_write, plan_files, write_file

#: The wide forms of the signs are folded by some spreadsheets to the plain ones.
_STARTS: Final = frozenset("=+-@\t\r\n＝＋－＠")
_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_MARK: Final = "'"
_LONGEST_NAME: Final = 40


def is_risky(text: Any) -> bool:
    """Whether a spreadsheet might run a cell as a formula."""
    if not isinstance(text, str) or not text or _NUMBER.fullmatch(text):
        return False
    return text[0] in _STARTS or text.lstrip()[:1] in _STARTS


def with_text_mark(value: Any) -> Any:
    """Return a cell as it may safely be written into a CSV file."""
    marked = isinstance(value, str) and value[:1] == _MARK and is_risky(value.lstrip(_MARK))
    return _MARK + value if marked or is_risky(value) else value


def without_text_mark(text: str) -> str:
    """Return the text that :func:`with_text_mark` was given."""
    if text[:1] == _MARK and is_risky(text.lstrip(_MARK)):
        return text[1:]
    return text


def file_stem(name: str, names: Sequence[str] = (), empty: str = "player") -> str:
    """Turn a name into letters, digits and hyphens only; `empty`, if it has none of them.

    No other of `names` gets the same: where two come out alike, each gets a number in this order.
    """
    plain = [_stem(other, empty) for other in names]
    stem = _stem(name, empty)
    same = [other for other, its in zip(names, plain, strict=True) if its == stem]
    if len(same) < 2 or name not in same:
        return stem
    # another name may look like a numbered one already
    free = [f"{stem}-{k}" for k in range(1, len(names) + len(same) + 1)]
    free = [one for one in free if one not in plain]
    return free[same.index(name)]


def _stem(name: str, empty: str) -> str:
    return re.sub(r"[\W_]+", "-", name.casefold()).strip("-")[:_LONGEST_NAME].strip("-") or empty


#: Characters that XML 1.0 does not allow.
_NOT_ALLOWED: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_LONGEST_CELL: Final = 32_767  # of a cell in this format
SUFFIXES: Final = (".csv", ".xlsx", ".parquet")


def write_table(table: Table, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write a table as ``.csv``, ``.xlsx`` or ``.parquet``.

    Text that a spreadsheet would take for a formula stays text: in CSV behind an apostrophe,
    in a workbook as a cell of type text. Numbers are left alone.

    Parameters
    ----------
    table
        Any table; the index is not written.
    path
        Where to.
    overwrite
        Whether a file of that name may be replaced.

    Raises
    ------
    LogError
        If the suffix is another.
    WriteError
        If the file exists or cannot be written.

    See Also
    --------
    read_shots
    map_log

    Examples
    --------
    >>> sw.write_table(model.thresholds(), "thresholds.csv").name
    'thresholds.csv'
    """
    table = as_frame(table, "table")
    file = check_target(path, overwrite=overwrite)
    suffix = file.suffix.lower()
    data = io.BytesIO()
    if suffix == ".csv":
        data.write(csv_bytes(table, lineterminator="\r\n"))
    elif suffix == ".parquet":
        data.write(table.apply(_one_type).to_parquet(index=False))
    else:
        with room_for_workbook():
            _workbook(table, data)
    return write_file(file, data.getvalue(), overwrite=overwrite)


@contextmanager
def room_for_workbook() -> Iterator[None]:
    """Say so where a workbook, which is put together in temporary files, finds no room for them."""
    try:
        yield
    except OSError as error:
        place = Path(tempfile.gettempdir())
        raise cannot_write(place, error, "no temporary file can be written there") from error


def csv_bytes(table: pd.DataFrame, **options: Any) -> bytes:
    """Return the table as CSV that no spreadsheet runs, with the mark that says UTF-8."""
    text = safe_table(table).to_csv(index=False, **options)
    return str(text).encode("utf-8-sig")


def check_target(path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Return the path if it may be written to; raises as :func:`write_table`."""
    file = Path(path)
    if file.suffix.lower() not in SUFFIXES:
        raise LogError(f"{file}: the file to write ends in {', '.join(SUFFIXES)}.")
    plan_files([file], overwrite=overwrite)
    return file


def safe_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with every risky cell and heading marked as text."""
    columns = {}
    for place in range(table.shape[1]):
        column = table.iloc[:, place]
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(object)
        if not pd.api.types.is_numeric_dtype(column.dtype):
            column = column.map(with_text_mark, na_action="ignore")
        columns[place] = column
    safe = pd.DataFrame(columns, index=table.index)
    safe.columns = pd.Index([with_text_mark(str(name)) for name in table.columns])
    return safe


def _one_type(column: pd.Series) -> pd.Series:
    """Numbers where every cell is one or blank, else text: Parquet knows no mixture."""
    if column.dtype != object:
        return column
    filled = column.notna() & (column != "")
    if filled.any() and column[filled].map(lambda cell: isinstance(cell, int | float)).all():
        return pd.to_numeric(column.where(filled))
    return column.map(str, na_action="ignore")


def _workbook(table: pd.DataFrame, data: io.BytesIO) -> None:
    from openpyxl import Workbook  # noqa: PLC0415
    from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415

    book = Workbook(write_only=True)
    sheet = book.create_sheet("log")

    def cell(value: Any) -> Any:
        if isinstance(value, str):
            # without what the format of a workbook cannot hold at all, and not too long for it
            made = WriteOnlyCell(sheet, _NOT_ALLOWED.sub("", value)[:_LONGEST_CELL])
            made.data_type = "s"  # never a formula
            if is_risky(value):
                made.quotePrefix = True  # nor when it is edited
            return made
        if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
            return None
        if isinstance(value, np.generic):
            return value.item()
        return value

    sheet.append([cell(str(name)) for name in table.columns])
    columns = [table.iloc[:, at].astype(object).tolist() for at in range(table.shape[1])]
    for row in zip(*columns, strict=True):
        sheet.append([cell(value) for value in row])
    book.save(data)
