"""Separated text (comma, semicolon, tab or pipe) into raw columns with true line numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any, Final

import numpy as np

from sidewall.arguments import Ints, first_of
from sidewall.errors import LogError
from sidewall.log.columns import missing_columns, understand
from sidewall.log.ledger import Folded
from sidewall.log.raw import RawColumn, RawLog, shown_cell

SEPARATORS: Final = (",", ";", "\t", "|")
_CHUNK: Final = 50_000
_LONGEST_CELL: Final = 131_072  # of what the parser of marks takes
#: No note in a cell goes over more lines.
_LONGEST_CELL_LINES: Final = 200
_SHOWN_LINES: Final = 10
#: Headings are looked for below a title on so many lines.
_SEARCHED_LINES: Final = 10


def read_delimited(data: bytes, source: str, delimiter: str | None, folded: Folded) -> RawLog:
    """Read separated text, UTF-8 with line feeds only; without a delimiter the headings tell it.

    A LogError, which names the `source`, if the file is empty, a title stands above the headings,
    or a quotation mark in these is never closed. `folded` receives what is read as something else.
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
    _refuse_title(data[start:], head, separator, line, source)
    if head.count('"') % 2 == 0:
        headings = _parsed([head], separator) or head.split(separator)
        quick = _quick(data[end + 1 :], separator, headings, line + 1)
        if quick is not None:
            columns, lines, empty = quick
            return RawLog(
                list(zip(map(str.strip, headings), columns, strict=True)),
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
        headings = _parsed([head], separator) or head.split(separator)
        return sum(understand(text) is not None for text in headings), len(headings)

    return max(SEPARATORS, key=sense)


def _refuse_title(data: bytes, head: str, separator: str, line: int, source: str) -> None:
    """Refuse lines that stand above the headings: they are no headings themselves."""
    most = len(missing_columns([])) / 2
    if len(missing_columns(_parsed([head], separator) or head.split(separator))) <= most:
        return
    end = 0
    for below in range(1, _SEARCHED_LINES):
        end = _line_end(data, end) + 1
        lower = data[end : _line_end(data, end)].decode("utf-8")
        separators = [separator, _separator(lower)]
        if any(len(missing_columns(lower.split(one))) < most for one in separators):
            raise LogError(
                f"{source}: line {line} looks like a title ({shown_cell(head)}), and line "
                f"{line + below} holds the headings: delete "
                + (f"lines {line} to {line + below - 1}." if below > 1 else f"line {line}.")
            )


def _quick(
    body: bytes, separator: str, headings: list[str], first_line: int
) -> tuple[list[RawColumn], Ints, int] | None:
    """Read a tidy body at speed, or None if it needs the careful reader.

    Lines are counted before any quotation mark is trusted: a body in which a mark swallows
    lines is none of the tidy ones.
    """
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import csv as pa_csv  # noqa: PLC0415

    names = [str(place) for place in range(len(headings))]
    ends = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == ord("\n"))
    lengths = np.diff(np.concatenate(([-1], ends, [len(body)]))) - 1
    lines = np.flatnonzero(lengths > 0) + first_line
    empty = int((lengths[:-1] == 0).sum())
    if not len(lines):
        return [RawColumn.constant("", 0) for _ in names], lines, empty
    quoted = b'"' in body
    if quoted:
        quotes = np.flatnonzero(np.frombuffer(body, dtype=np.uint8) == ord('"'))
        of_line = np.bincount(np.searchsorted(ends, quotes), minlength=len(lengths))
        if (of_line % 2).any():
            return None  # a mark is stray or never closed, or a cell goes over several lines
    # A copy: a thread of Arrow's that lets go of Python's memory while the program ends, as after a
    # refused log, would break it off with a signal.
    own = pa.BufferOutputStream()
    own.write(body)
    try:
        table = pa_csv.read_csv(
            own.getvalue(),
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


def _from_arrow(column: Any) -> RawColumn:
    array = column.combine_chunks()
    if hasattr(array, "chunks"):  # a single chunk comes back as itself in some versions
        array = array.chunk(0)
    values = array.dictionary.to_numpy(zero_copy_only=False).astype(object)
    values[[not text.strip() for text in values]] = ""
    return RawColumn(array.indices.to_numpy(), values)


def _careful(text: str, separator: str, first_line: int, source: str, folded: Folded) -> RawLog:
    """Read line by line: cells over several lines, stray marks, rows of unequal length."""
    import pyarrow as pa  # noqa: PLC0415

    rest = text.split("\n")
    headings, over = _headings(rest, separator, first_line, source)
    width = len(headings)
    records = _Records(rest[over:], separator, width, first_line + over)
    lines: list[int] = []
    overfull: dict[int, str] = {}
    short = empty = 0
    chunks: list[list[Any]] = []
    everything = iter(records)
    while batch := list(islice(everything, _CHUNK)):
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
            lines.append(line)
            tidy.append(record[:width])
        chunks.append([pa.array(cells).dictionary_encode() for cells in zip(*tidy, strict=True)])
    chunks = [chunk for chunk in chunks if chunk]
    columns = [
        _from_arrow(pa.chunked_array([chunk[place] for chunk in chunks]).unify_dictionaries())
        if chunks
        else RawColumn.constant("", 0)
        for place in range(width)
    ]
    folded.add("(line)", "fewer cells than headings", "blank at the end", short)
    folded.add("(line)", "stray quotation mark", "an ordinary character", len(records.stray))
    folded.add("(line)", "cell over several lines", "one cell", len(records.long))
    return RawLog(
        list(zip(map(str.strip, headings), columns, strict=True)),
        np.asarray(lines, dtype=np.int64),
        source,
        overfull,
        folded,
        separator != ",",
        empty,
        notes=records.notes(),
    )


def _headings(
    lines: list[str], separator: str, first_line: int, source: str
) -> tuple[list[str], int]:
    """Return the headings and the number of lines that they take up."""
    for over in range(1, min(len(lines), _LONGEST_CELL_LINES) + 1):
        headings = _parsed(lines[:over], separator)
        if headings is not None:
            return headings, over
        longest = max(len(cell) for line in lines[:over] for cell in line.split(separator))
        if longest > _LONGEST_CELL:
            raise LogError(
                f"{source}: line {first_line}: a heading of {longest:,} characters is no heading "
                "of a log. Shorten it."
            )
    raise LogError(
        f"{source}: line {first_line}: a quotation mark in the headings is opened and not closed, "
        "or text follows a closing one. Delete the mark, or double it."
    )


def _parsed(lines: list[str], separator: str) -> list[str] | None:
    """Return lines as the cells of one record, or None where they are none or several."""
    text = "\n".join(lines)
    if '"' not in text:
        return text.split(separator) if len(lines) == 1 else None
    if text.count('"') % 2:
        return None
    try:
        found = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error:
        return None
    return found[0] if len(found) == 1 else None


class _Records:
    """The records below the headings, each with its line.

    A quotation mark opens a cell only where that leaves rows as they are: where the cell
    would swallow lines that are rows by themselves, or is never closed, the mark is stray.
    """

    def __init__(self, lines: list[str], separator: str, width: int, first_line: int) -> None:
        self._lines, self._separator, self._width = lines, separator, width
        self._first = first_line
        #: Lines with a stray mark, and first and last line of records over several lines.
        self.stray: list[int] = []
        self.long: list[tuple[int, int]] = []
        # Two lines of one record share its cells, so at most one of them has this many.
        self._row = min(width, int(0.6 * width) + 2)

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        at = 0
        last = len(self._lines) - (not self._lines[-1]) if self._lines else 0
        while at < last:
            line = self._lines[at]
            if '"' not in line:
                yield self._first + at, line.split(self._separator) if line else []
                at += 1
                continue
            cells, over = self._with_marks(at, last)
            yield self._first + at, cells
            at += over

    def _with_marks(self, at: int, last: int) -> tuple[list[str], int]:
        """Cells of the record that begins on a line, and the number of its lines."""
        plain = self._lines[at].split(self._separator)
        cells = _parsed([self._lines[at]], self._separator)
        over = 1
        if cells is None:
            cells, over = self._over_several(at, last)
        elif len(cells) < self._width == len(plain):
            cells = None  # a row as it stands, and none where its marks count
        if cells is None:
            self.stray.append(self._first + at)
            return plain, 1
        if over > 1:
            self.long.append((self._first + at, self._first + at + over - 1))
        return cells, over

    def _over_several(self, at: int, last: int) -> tuple[list[str] | None, int]:
        rows = 0
        for end in range(at, min(last, at + _LONGEST_CELL_LINES)):
            rows += self._lines[end].count(self._separator) + 1 >= self._row
            if rows > 1:
                break
            if end > at and '"' in self._lines[end]:
                cells = _parsed(self._lines[at : end + 1], self._separator)
                if cells is not None:
                    return cells, end - at + 1
        return None, 1

    def notes(self) -> list[str]:
        """Name the lines to look at."""
        said = []
        if self.stray:
            said.append(
                f"A quotation mark that belongs to no cell stands on {_listed(self.stray)} and is "
                "read as an ordinary character. Delete it, or double it within a cell in marks."
            )
        if self.long:
            spans = [f"{first} to {end}" for first, end in self.long]
            said.append(
                f"A cell in quotation marks goes over several lines: {_listed(spans)}. Each is "
                "read as one row."
            )
        return said


def _listed(numbers: Sequence[int | str]) -> str:
    shown = first_of([str(one) for one in numbers], _SHOWN_LINES)
    return f"line{'s' if len(numbers) > 1 or 'to' in shown else ''} {shown}"
