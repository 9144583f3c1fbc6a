"""A log as it stands in the file, before any word or number is understood.

A column is held as whole-number codes into its distinct values, so that everything that
follows works on the few distinct values and never on the many rows.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from sidewall.log.ledger import Folded

Codes = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class RawColumn:
    """One column: ``distinct[codes]`` are the cells.

    Parameters
    ----------
    codes
        Shape (rows,), index into ``distinct``; never negative.
    distinct
        Distinct cells: text as found, or numbers where the source carried numbers. A blank
        cell is the empty text.
    typed
        The distinct cells as they stand in the file, where a map has put others in their
        place; shape of ``distinct``.
    """

    codes: npt.NDArray[np.integer]
    distinct: npt.NDArray[np.object_]
    typed: npt.NDArray[np.object_] | None = None

    @classmethod
    def of(cls, cells: Any) -> RawColumn:
        """Build from the cells of a column of any type; missing cells become blank."""
        series = cells if isinstance(cells, pd.Series) else pd.Series(cells)
        if isinstance(series.dtype, pd.CategoricalDtype):
            codes = series.cat.codes.to_numpy().astype(np.int64)
            known = np.asarray(series.cat.categories, dtype=object)
        else:
            if series.dtype == object:  # or a 1 and a true would be one
                texts = [str(one) if isinstance(one, bool) else one for one in series]
                series = pd.Series(texts, dtype=object)
            try:
                codes, found = pd.factorize(series)
            except (TypeError, NotImplementedError):  # cells that hold lists or tables
                texts = [one if isinstance(one, str) or one is None else str(one) for one in series]
                codes, found = pd.factorize(pd.Series(texts, dtype=object))
            known = np.asarray(found, dtype=object)
        distinct = np.empty(len(known) + 1, dtype=object)
        distinct[:-1] = [cell_text(value) for value in known]
        distinct[-1] = ""
        return cls(np.where(codes < 0, len(known), codes), distinct)

    @classmethod
    def below(cls, parts: Sequence[RawColumn]) -> RawColumn:
        """Put columns below one another, as they stand in the file."""
        place: dict[tuple[type, Any], int] = {}
        codes = [
            np.array([place.setdefault((type(one), one), len(place)) for one in part.found])[
                part.codes
            ]
            for part in parts
        ]
        distinct = np.empty(len(place), dtype=object)
        distinct[:] = [one for _, one in place]
        return cls(np.concatenate(codes), distinct)

    @property
    def blank(self) -> Mask:
        """Whether each row is blank, shape (rows,)."""
        return (self.distinct == "")[self.codes]

    def take(self, rows: npt.NDArray[Any]) -> RawColumn:
        """Keep only some rows."""
        return RawColumn(self.codes[rows], self.distinct, self.typed)

    def cells(self, rows: npt.NDArray[Any]) -> npt.NDArray[np.object_]:
        """Text of some rows as found, shape of ``rows``."""
        return self.found[self.codes[rows]]

    @property
    def found(self) -> npt.NDArray[np.object_]:
        """The distinct cells as they stand in the file."""
        return self.distinct if self.typed is None else self.typed


@dataclass(frozen=True)
class RawLog:
    """A log as read: columns as typed, and where each row stood in the file.

    Parameters
    ----------
    columns
        (header as typed, column) in the order of the file.
    lines
        Line number of each row in the file; the header is line 1 unless lines precede it.
    source
        Name of the file for messages.
    overfull
        Row positions with more cells than the header has, and the text that was too much.
    folded
        What reading itself has folded, such as blank lines.
    comma_decimals
        Whether a comma inside a number can only be a decimal comma.
    empty_lines
        Lines without a single cell, already left out of ``columns``.
    match_details
        The sheet of match details of a workbook that has one.
    their_headings
        Headings as the file has them, by the heading that a map has put in their place.
    headings_by_row
        Where the shots of a row come from several columns: the heading of each shot, shape
        (rows,), by what ``their_headings`` calls them all.
    map_name
        Name of the map that was applied.
    sheets
        Sheets of a workbook that were read, in its order.
    passed_over
        Sheets that hold no log.
    sheet_of
        Where several sheets were read: the place in ``sheets`` of each row, shape (rows,).
    notes
        What a reader of the log should look at, in sentences; nothing was changed for them.
    """

    columns: list[tuple[str, RawColumn]]
    lines: Codes
    source: str
    overfull: dict[int, str] = field(default_factory=dict)
    folded: Folded = field(default_factory=Folded)
    comma_decimals: bool = True
    empty_lines: int = 0
    match_details: RawLog | None = None
    their_headings: dict[str, str] = field(default_factory=dict)
    headings_by_row: dict[str, npt.NDArray[np.object_]] = field(default_factory=dict)
    map_name: str = ""
    sheets: tuple[str, ...] = ()
    passed_over: tuple[str, ...] = ()
    sheet_of: Codes | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def sheet_names(self) -> npt.NDArray[np.object_] | None:
        """Sheet of each row, shape (rows,), where several were read."""
        return None if self.sheet_of is None else np.array(self.sheets, object)[self.sheet_of]

    def where(self, rows: npt.NDArray[Any]) -> list[str]:
        """Say where rows stand: their line, and their sheet where several were read."""
        lines = [f"line {line}" for line in self.lines[rows].tolist()]
        names = self.sheet_names
        if names is None:
            return lines
        return [f"{line} of sheet {name!r}" for line, name in zip(lines, names[rows], strict=True)]


#: A cell is shown up to so many characters.
_SHOWN: Final = 60
#: And a list of them up to so many.
_LISTED: Final = 60


def shown_cell(value: Any) -> str:
    """Return a cell in quotation marks and on one line, shortened where it is huge."""
    text = str(value).strip()
    return repr(text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…")


def cell_text(value: Any) -> Any:
    """Text of a cell as found; numbers stay numbers and whole floats become whole."""
    text: Any = str(value)
    if value is None or value is pd.NaT or value is pd.NA or not text.strip():
        text = ""
    elif isinstance(value, float | np.floating):
        number = float(value)
        whole = number.is_integer() and abs(number) < 1e15
        text = "" if np.isnan(number) else int(number) if whole else number
    elif isinstance(value, int | np.integer) and not isinstance(value, bool):
        text = int(value)
    elif isinstance(value, dt.date):  # also a date with a time
        text = value.isoformat().removesuffix("T00:00:00")
    elif isinstance(value, dt.time | dt.timedelta):
        # A clock in a spreadsheet cell is hours and minutes whatever the charter meant, so
        # it must not pass for the minutes and seconds of a video.
        text = f"clock {value}"
    return text


def shown_list(cells: Sequence[str]) -> str:
    """Return cells as a list in a sentence, not more of them than a page holds."""
    more = f" and {len(cells) - _LISTED} more" if len(cells) > _LISTED else ""
    return (", ".join(map(shown_cell, cells[:_LISTED])) or "none") + more


def drop_blank_rows(log: RawLog) -> RawLog:
    """Leave out the rows in which every cell is blank, and count them under folded."""
    if not log.columns or not len(log.lines):
        return log
    blank = np.logical_and.reduce([column.blank for _, column in log.columns])
    blank[list(log.overfull)] = False
    log.folded.add("(line)", "blank line", "not a row", int(blank.sum()) + log.empty_lines)
    if not blank.any():
        return log
    kept = np.flatnonzero(~blank)
    place = np.cumsum(~blank) - 1
    return replace(
        log,
        columns=[(name, column.take(kept)) for name, column in log.columns],
        lines=log.lines[kept],
        overfull={int(place[row]): text for row, text in log.overfull.items()},
        empty_lines=0,
        sheet_of=None if log.sheet_of is None else log.sheet_of[kept],
    )
