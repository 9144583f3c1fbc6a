"""Numbers as charters type them: decimal commas, clocks, a unit after the number."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from sidewall.court.units import parse_unit
from sidewall.errors import UnitError

#: Cells that say "nothing here".
BLANKS: Final = frozenset({"", "-", "–", "—", "n/a", "#n/a", "nan", "none", "null", "<na>"})
_NO_NAMES: Final = BLANKS - {"nan", "none", "null"}
_COMMA: Final = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_CLOCK: Final = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{2}(?:\.\d+)?)")
_WITH_UNIT: Final = re.compile(r"([+-]?[\d.,]+)\s*(\"|[a-z]+)", re.IGNORECASE)


def is_blank(text: Any, *, name: bool = False) -> bool:
    """Whether a cell says nothing; ``NA`` counts in capitals only, as Na is a name.

    With ``name`` the cell is one of a column that names somebody on every row: there Nan, None
    and Null are names as well.
    """
    if not isinstance(text, str):
        return False
    word = text.strip()
    if name:
        return word.casefold() in _NO_NAMES
    return word == "NA" or word.casefold() in BLANKS


@dataclass(frozen=True)
class Numbers:
    """Distinct cells as numbers.

    ``value`` is missing where ``blank`` or ``wrong``; ``read_as`` says how a cell that was
    not a plain number was understood. All of shape (distinct values,).
    """

    value: npt.NDArray[np.float64]
    blank: npt.NDArray[np.bool_]
    wrong: npt.NDArray[np.bool_]
    read_as: dict[int, str]
    mend: dict[int, str]


def parse_numbers(
    values: npt.NDArray[np.object_],
    *,
    comma_decimals: bool,
    unit: str | None = None,
    clock: bool = False,
) -> Numbers:
    """Understand distinct cells, text or numbers, as numbers.

    `comma_decimals`: whether a comma can only be a decimal comma; where it cannot, ``1,234`` is
    refused. The column's `unit` after the number is let pass. With `clock`, ``mm:ss`` and
    ``h:mm:ss`` stand for seconds.
    """
    # Not pandas.to_numeric, which in some versions is one unit off in the last place.
    value = np.array([_plain(one) for one in values.tolist()], dtype=np.float64)
    odd = np.flatnonzero(np.isnan(value))
    blank = np.zeros(len(values), dtype=bool)
    read_as: dict[int, str] = {}
    mend: dict[int, str] = {}
    for at in odd.tolist():
        text = values[at].strip() if isinstance(values[at], str) else str(values[at])
        if is_blank(text):
            blank[at] = True
            if text:
                read_as[at] = "blank"
            continue
        found, how, advice = _odd_number(text, comma_decimals, unit, clock)
        value[at] = found
        if how and not np.isnan(found):
            read_as[at] = how
        if advice:
            mend[at] = advice
    return Numbers(value, blank, np.isnan(value) & ~blank, read_as, mend)


def _odd_number(
    text: str, comma_decimals: bool, unit: str | None, clock: bool
) -> tuple[float, str, str]:
    """Value, how it was read, and the mend if it cannot be read."""
    timed = _CLOCK.fullmatch(text) if clock else None
    carried = _WITH_UNIT.fullmatch(text) if unit is not None else None
    value, how, mend = np.nan, "", ""
    if timed is not None:
        hours, minutes, seconds = timed.groups()
        value, how = int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds), "seconds"
    elif text.startswith("clock "):
        mend = "the cell is a time of day: format the column as text and type mm:ss"
    elif carried is not None:
        mend = _other_unit(carried[2], str(unit))
        if not mend:
            value, _, mend = _odd_number(carried[1], comma_decimals, None, False)
            how = "the number alone"
    elif _COMMA.fullmatch(text):
        if comma_decimals or not _THOUSANDS.fullmatch(text):
            value, how = float(text.replace(",", ".")), "decimal point"
        else:
            mend = "write the decimals with a point, and no mark for thousands"
    else:
        value = _plain(text)
        mend = "write a plain number, such as 35 or 3.5" if np.isnan(value) else ""
    return value, how, mend


def _plain(cell: Any) -> float:
    try:
        value = float(cell)
    except (ValueError, OverflowError):
        return np.nan
    # Python itself reads 1_000 as a number; a charter means something else by it.
    return value if math.isfinite(value) and "_" not in str(cell) else np.nan


def _other_unit(typed: str, unit: str) -> str:
    """Return the mend if a number carries another unit than its column, else nothing."""
    try:
        same = parse_unit("in" if typed == '"' else typed) == unit
    except UnitError:
        return f"write a number of {unit} and nothing else"
    return "" if same else f"the column is in {unit}: convert the value, or rename the column"
