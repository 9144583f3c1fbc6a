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
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Array, Bools, Ints, first_of
from sidewall.log.ledger import Folded

Objects = NDArray[np.object_]


@dataclass(frozen=True)
class RawColumn:
    """One column: ``distinct[codes]`` are the cells; codes are never negative.

    Distinct cells are text as found, or numbers where the source carried numbers, and blank is
    the empty text. `typed` is what stands in the file where a map has put others in its place.
    """

    codes: Array
    distinct: Objects
    typed: Objects | None = None

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
    def constant(cls, value: str, rows: int) -> RawColumn:
        """Build a column that holds one value."""
        return cls(np.zeros(rows, dtype=np.int64), np.array([value], dtype=object))

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
    def blank(self) -> Bools:
        """Whether each row is blank, shape (rows,)."""
        return (self.distinct == "")[self.codes]

    def take(self, rows: Array) -> RawColumn:
        """Keep only some rows."""
        return RawColumn(self.codes[rows], self.distinct, self.typed)

    def cells(self, rows: Array) -> Objects:
        """Text of some rows as found, shape of ``rows``."""
        return self.found[self.codes[rows]]

    @property
    def found(self) -> Objects:
        """The distinct cells as they stand in the file."""
        return self.distinct if self.typed is None else self.typed


@dataclass(frozen=True)
class RawLog:
    """A log as read: columns as typed, (heading, column) in order, and where each row stood.

    The headings are line 1 of `lines` unless lines precede them. `overfull` rows have more cells
    than headings, and the text that was too much; `empty_lines` have none and are left out
    already; `folded` is what reading itself has folded. `comma_decimals`: whether a comma inside
    a number can only be a decimal comma. Where a map called `map_name` was applied,
    `their_headings` are the file's by those put in their place, and `headings_by_row` that of
    each shot, (rows,), by what these call several together. Of a workbook: its `match_details`,
    the `sheets` that were read, those `passed_over`, and the place in `sheets` of each row,
    `sheet_of`, where there are several. `notes` are to be looked at; nothing was changed for them.
    """

    columns: list[tuple[str, RawColumn]]
    lines: Ints
    source: str
    overfull: dict[int, str] = field(default_factory=dict)
    folded: Folded = field(default_factory=Folded)
    comma_decimals: bool = True
    empty_lines: int = 0
    match_details: RawLog | None = None
    their_headings: dict[str, str] = field(default_factory=dict)
    headings_by_row: dict[str, Objects] = field(default_factory=dict)
    map_name: str = ""
    sheets: tuple[str, ...] = ()
    passed_over: tuple[str, ...] = ()
    sheet_of: Ints | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def sheet_names(self) -> Objects | None:
        """Sheet of each row, shape (rows,), where several were read."""
        return None if self.sheet_of is None else np.array(self.sheets, object)[self.sheet_of]

    def where(self, rows: Array) -> list[str]:
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
    return first_of([shown_cell(cell) for cell in cells], _LISTED) or "none"


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
