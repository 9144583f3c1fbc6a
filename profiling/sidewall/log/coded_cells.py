"""The cells of a pseudonymised log: codes, and what is understood; nothing else."""

from __future__ import annotations

import random
import re
from datetime import date, timedelta
from typing import Any, Final

import numpy as np

from sidewall.log.cells import name_key
from sidewall.log.columns import SPECS
from sidewall.log.dates import parse_dates
from sidewall.log.key_file import Key
from sidewall.log.numerals import is_blank, parse_numbers
from sidewall.log.raw import RawColumn, RawLog
from sidewall.log.synonyms import understand_word

#: Kind of name that a column holds.
KIND_OF: Final = {
    **dict.fromkeys(("player", "opponent", "rally_won_by"), "player"),
    "match": "match",
    "group": "group",
}
_NOT_UNDERSTOOD: Final = "?"
#: Scoring in few letters and a number, such as par11 or hiho 9; other text may hold anything.
_SCORING: Final = re.compile(r"(par|hiho|point a rally|hand in hand out)?[ -]*(to )?\d{1,2}", re.I)


def coded_cells(
    name: str,
    unit: str | None,
    column: RawColumn,
    raw: RawLog,
    codes: Key,
    dates: str,
    chance: random.Random,
) -> tuple[Any, Any]:
    """Distinct cells as they are written, and whether each was not understood."""
    distinct = column.distinct
    made = np.full(len(distinct), "", dtype=object)
    wrong = np.zeros(len(distinct), dtype=bool)
    kind = SPECS[name].kind if name in SPECS else "word"
    numbers = None
    if kind in ("count", "score", "length", "seconds"):
        numbers = parse_numbers(
            distinct,
            comma_decimals=raw.comma_decimals,
            unit=unit if kind == "length" else None,
            clock=kind == "seconds",
        )
    days, _ = parse_dates(distinct) if name == "date" else ([], {})
    for at, cell in enumerate(distinct):
        known = name in KIND_OF and (KIND_OF[name], name_key(cell)) in codes.codes
        if is_blank(cell, name=known):
            continue
        value: Any = None
        if name in KIND_OF:
            value = codes.code(KIND_OF[name], cell)
        elif numbers is not None:
            value = _number(numbers.value[at])
        elif name == "date":
            value = _day(days[at], codes, dates, chance)
        elif name == "scoring":
            value = cell if _SCORING.fullmatch(str(cell).strip()) else None
        elif name == "choice_source":
            value = cell if cell in ("charted", "derived") else None
        else:
            value = cell if understand_word(name, cell, suggest=False).value else None
        wrong[at] = value is None
        made[at] = _NOT_UNDERSTOOD if value is None else value
    return made, wrong


def _number(value: float) -> float | int | None:
    if np.isnan(value):
        return None
    return int(value) if value == np.floor(value) and abs(value) < 1e15 else float(value)


def _day(day: date | None, codes: Key, dates: str, chance: random.Random) -> str | None:
    if day is None:
        return None
    if dates == "shift":
        try:
            day += timedelta(days=codes.shift(chance))
        except OverflowError:
            return None
    return day.isoformat()
