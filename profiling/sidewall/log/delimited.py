"""Separated text (comma, semicolon, tab or pipe) into raw columns with true line numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from itertools import islice
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from sidewall.errors import LogError
from sidewall.log.columns import understand
from sidewall.log.ledger import Folded
from sidewall.log.raw import RawColumn, RawLog

SEPARATORS: Final = (",", ";", "\t", "|")
_CHUNK: Final = 50_000


def read_delimited(data: bytes, source: str, delimiter: str | None, folded: Folded) -> RawLog:
    """Read separated text.

    Parameters
    ----------
    data
        UTF-8 with line feeds only.
    source
        Name of the file for messages.
    delimiter
        The separator, or None to find it from the headings.
    folded
        Receives what is read as something else than it stands for.

    Raises
    ------
    LogError
        If the file is empty, has no rows, or a quotation mark is never closed.
    """
    if delimiter is not None and len(delimiter) != 1:
        raise LogError(f"{source}: the delimiter must be one character, not {delimiter!r}.")
    start, line = _first_line(data, source)
    end = _line_end(data, start)
    announced = data[start:end].strip().lower()
    if announced.startswith(b"sep=") and len(announced) <= 5:
        # Some spreadsheets announce the separator on a line of its own.
        delimiter = delimiter or (data[start:end].decode()[4:5] or ";")
        after, more = _first_line(data[end + 1 :], source)
        start, line = end + 1 + after, line + more
        end = _line_end(data, start)
    head = data[start:end].decode("utf-8")
    separator = delimiter or _separator(head)
    if head.count('"') % 2 == 0:
        headings = next(csv.reader([head], delimiter=separator))
        quick = _quick(data[end + 1 :], separator, headings, line + 1)
        if quick is not None:
            columns, lines, empty = quick
            return RawLog(
                list(zip(_named(headings), columns, strict=True)),
                lines,
                source,
                folded=folded,
                comma_decimals=separator != ",",
                empty_lines=empty,
            )
    return _careful(data[start:].decode("utf-8"), separator, line, source, folded)


def _first_line(data: bytes, source: str) -> tuple[int, int]:
    """Offset and line number (from 1) of the first line that is not blank."""
    start, line = 0, 1
    while start < len(data):
        end = _line_end(data, start)
        if data[start:end].strip(b" \t,;|"):
            return start, line
        start, line = end + 1, line + 1
    raise LogError(
        f"{source}: the file is empty. The first line holds the headings and every further line "
        "one shot; `sidewall template` writes a log to start from."
    )


def _line_end(data: bytes, start: int) -> int:
    end = data.find(b"\n", start)
    return len(data) if end < 0 else end


def _separator(head: str) -> str:
    """Return the separator that makes most sense of the headings."""

    def sense(separator: str) -> tuple[int, int]:
        headings = next(csv.reader([head], delimiter=separator))
        return sum(understand(text) is not None for text in headings), len(headings)

    return max(SEPARATORS, key=sense)


def _named(headings: list[str]) -> list[str]:
    return [text.strip() for text in headings]


def _quick(
    body: bytes, separator: str, headings: list[str], first_line: int
) -> tuple[list[RawColumn], npt.NDArray[np.int64], int] | None:
    """Read a tidy body at speed, or None if it needs the careful reader."""
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import csv as pa_csv  # noqa: PLC0415

    names = [str(place) for place in range(len(headings))]
    ends = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == ord("\n"))
    places = np.arange(1, len(ends) + 1)  # lines ended so far
    quoted = b'"' in body
    if quoted:
        quotes = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == ord('"'))
        if len(quotes) % 2:
            return None  # a mark is stray or never closed
        # A line break between an opening and a closing mark does not end a record.
        outside = np.searchsorted(quotes, ends) % 2 == 0
        ends, places = ends[outside], places[outside]
    lengths = np.diff(np.concatenate(([-1], ends, [len(body)]))) - 1
    lines = np.concatenate(([0], places))[lengths > 0] + first_line
    empty = int((lengths[:-1] == 0).sum())
    if not len(lines):
        return [_no_cells() for _ in names], lines, empty
    try:
        table = pa_csv.read_csv(
            pa.py_buffer(body),
            read_options=pa_csv.ReadOptions(column_names=names),
            parse_options=pa_csv.ParseOptions(delimiter=separator, newlines_in_values=quoted),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.dictionary(pa.int32(), pa.string())),
            ),
        )
    except pa.ArrowInvalid:
        return None  # rows of unequal length
    if table.num_rows != len(lines):
        return None  # stray quotation marks
    table = table.unify_dictionaries()
    return [_from_arrow(column) for column in table.columns], lines, empty


def _no_cells() -> RawColumn:
    return RawColumn(np.empty(0, dtype=np.int32), np.array([""], dtype=object))


def _from_arrow(column: Any) -> RawColumn:
    array = column.combine_chunks()
    if hasattr(array, "chunks"):  # a single chunk comes back as itself in some versions
        array = array.chunk(0)
    values = array.dictionary.to_numpy(zero_copy_only=False).astype(object)
    values[[not text.strip() for text in values]] = ""
    return RawColumn(array.indices.to_numpy(), values)


def _careful(text: str, separator: str, first_line: int, source: str, folded: Folded) -> RawLog:
    """Read record by record: cells over several lines, rows of unequal length."""
    import pyarrow as pa  # noqa: PLC0415

    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    lines: list[int] = []
    overfull: dict[int, str] = {}
    short = empty = 0
    chunks: list[list[Any]] = []
    try:
        headings = next(reader)
        width = len(headings)
        records = _with_line(reader)
        while batch := list(islice(records, _CHUNK)):
            tidy = []
            for line, record in batch:
                if not record:
                    empty += 1
                    continue
                if len(record) < width:
                    short += bool("".join(record).strip())
                    record.extend([""] * (width - len(record)))
                elif any(cell.strip() for cell in record[width:]):
                    overfull[len(lines)] = separator.join(record[width:])
                lines.append(line + first_line - 1)
                tidy.append(record[:width])
            chunks.append(
                [pa.array(cells).dictionary_encode() for cells in zip(*tidy, strict=True)]
            )
    except csv.Error as error:
        raise LogError(
            f"{source}: line {reader.line_num + first_line - 1}: {error}. A quotation mark is "
            "opened and not closed, or text follows a closing one. Delete the mark, or double it."
        ) from error
    chunks = [chunk for chunk in chunks if chunk]
    columns = [
        _from_arrow(pa.chunked_array([chunk[place] for chunk in chunks]).unify_dictionaries())
        if chunks
        else _no_cells()
        for place in range(width)
    ]
    folded.add("(line)", "fewer cells than headings", "blank at the end", short)
    return RawLog(
        list(zip(_named(headings), columns, strict=True)),
        np.asarray(lines, dtype=np.int64),
        source,
        overfull,
        folded,
        separator != ",",
        empty,
    )


def _with_line(reader: Any) -> Iterator[tuple[int, list[str]]]:
    """Pair each record with the line it starts on, counted from 1 at the headings."""
    while True:
        line = reader.line_num + 1
        try:
            yield line, next(reader)
        except StopIteration:
            return
