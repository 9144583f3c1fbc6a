"""Dates as they are typed, refused where day and month could be either."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any, Final

from sidewall.log.cells import is_blank
from sidewall.log.raw import Objects

_YEAR_FIRST: Final = re.compile(r"(\d{4})[-/.]?(\d{1,2})[-/.]?(\d{1,2})(?:[T ][\d:.]+)?")
_YEAR_LAST: Final = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})")
_MEND: Final = "write the date as year-month-day, such as 2026-03-31"


def parse_dates(values: Objects) -> tuple[list[dt.date | None], dict[int, str]]:
    """Understand distinct cells as dates, None where blank or not understood; mends by their place.

    ``31/03/2026`` is understood, and decides for the other dates of its column whether the
    day or the month comes first. With full stops the day comes first.
    """
    day_first = _day_first(values)
    blank = [is_blank(cell) for cell in values]
    dates = [
        None if no else _date(str(cell).strip(), day_first)
        for cell, no in zip(values, blank, strict=True)
    ]
    wrong = [at for at, date in enumerate(dates) if date is None and not blank[at]]
    return dates, dict.fromkeys(wrong, _MEND)


def _date(text: str, day_first: bool | None) -> dt.date | None:
    match = _YEAR_FIRST.fullmatch(text)
    if match is not None:
        return _valid(int(match[1]), int(match[2]), int(match[3]))
    match = _YEAR_LAST.fullmatch(text)
    if match is None:
        return None
    one, two, year = int(match[1]), int(match[3]), int(match[4])
    order = True if match[2] == "." or one == two else day_first
    if order is None:
        return None
    return _valid(year, two, one) if order else _valid(year, one, two)


def _day_first(values: Any) -> bool | None:
    """Whether the day comes first, or None if nothing tells or the column disagrees."""
    found = [_YEAR_LAST.fullmatch(str(cell).strip()) for cell in values]
    slashed = [match for match in found if match is not None and match[2] != "."]
    first = any(int(match[1]) > 12 for match in slashed)
    second = any(int(match[3]) > 12 for match in slashed)
    return first if first != second else None


def _valid(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None
