"""Cells into words, names, counts and numbers; what cannot be understood is refused.

Numbers come as charters type them: decimal commas, clocks, a unit after the number.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from sidewall.arguments import Bools, Floats, Ints
from sidewall.court.units import parse_unit
from sidewall.errors import UnitError
from sidewall.log.columns import WITH_UNIT
from sidewall.log.raw import Objects, RawColumn, shown_cell
from sidewall.log.reading import Reading
from sidewall.log.synonyms import understand_word, words_of
from sidewall.log.writing import without_text_mark

#: Cells that say "nothing here".
BLANKS: Final = frozenset({"", "-", "–", "—", "n/a", "#n/a", "nan", "none", "null", "<na>"})
_NO_NAMES: Final = BLANKS - {"nan", "none", "null"}
_COMMA: Final = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_CLOCK: Final = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{2}(?:\.\d+)?)")


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

    value: Floats
    blank: Bools
    wrong: Bools
    read_as: dict[int, str]
    mend: dict[int, str]


def parse_numbers(
    values: Objects, *, comma_decimals: bool, unit: str | None = None, clock: bool = False
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
    carried = WITH_UNIT.fullmatch(text) if unit is not None else None
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


#: No log numbers further; a number above is a mistake, and safe sums need a limit.
_LARGEST_COUNT = 1_000_000
#: Where less than this share of the strokes is understood, the column holds something else.
_LEAST_UNDERSTOOD: Final = 0.5
#: Beyond so many distinct unknown words a column holds something else altogether.
_MOST_SUGGESTIONS = 200


def words(reading: Reading, name: str) -> Ints:
    """Codes of a word column into its vocabulary, shape (rows,); -1 for blank or refused."""
    codes, _ = words_and_beside(reading, name)
    return codes


def words_and_beside(
    reading: Reading, name: str, *, keep: Bools | None = None
) -> tuple[Ints, dict[str, Ints]]:
    """Like :func:`words`, with the words for other columns that were typed beside.

    A word that is not known refuses its row. With ``keep`` it is left blank instead, and the
    rows of that mask are noted as doubtful; strokes of which most are not understood are
    refused all the same.
    """
    column = reading.column(name)
    if column is None:
        return np.full(reading.rows, -1, dtype=np.int64), {}
    vocabulary = words_of(name)
    code = np.full(len(column.distinct), -1, dtype=np.int64)
    beside: dict[str, Ints] = {}
    reasons: dict[int, str] = {}
    mends: dict[int, str] = {}
    read_as: dict[int, str] = {}
    counts = np.bincount(column.codes, minlength=len(column.distinct))
    for at in np.flatnonzero(counts).tolist():
        text = column.distinct[at]
        if is_blank(text):
            if text:
                read_as[at] = "blank"
            continue
        meaning = understand_word(name, text, suggest=len(reasons) < _MOST_SUGGESTIONS)
        if meaning.value is None:
            reasons[at] = f"{shown_cell(text)} is no known {name}"
            mends[at] = meaning.mend
            if reading.raw.map_name:
                mends[at] += f", or give the word under [words.{name}] in {reading.raw.map_name}"
            continue
        code[at] = vocabulary.index(meaning.value)
        for other, word in meaning.beside.items():
            part = beside.setdefault(other, np.full(len(column.distinct), -1, dtype=np.int64))
            part[at] = words_of(other).index(word)
        if text != meaning.value:
            extra = [f"{other} {word}" for other, word in meaning.beside.items()]
            read_as[at] = ", ".join([meaning.value, *extra])
    reading.note(name, read_as)
    unknown = int(counts[list(reasons)].sum())
    filled = unknown + int(counts[code >= 0].sum())
    blanked = keep is not None
    if name == "stroke":
        blanked &= unknown <= (1 - _LEAST_UNDERSTOOD) * filled
    if blanked:
        reasons = {at: f"{text}; left blank" for at, text in reasons.items()}
    reading.refuse_values(name, reasons, mends, keep if blanked else None, doubt=blanked)
    return code[column.codes], {other: part[column.codes] for other, part in beside.items()}


def name_key(text: Any) -> str:
    """Return what two spellings of one name share: case, spacing and accents' form apart."""
    return tidy_name(text).casefold()


def tidy_name(text: Any) -> str:
    """Return a name with single spaces and composed accents, without the mark of plain text."""
    tidy = re.sub(r"\s+", " ", unicodedata.normalize("NFKC", str(text))).strip()
    return without_text_mark(tidy)


#: Columns that name somebody or something on every row.
ALWAYS_NAMED: Final = ("match", "player")


class Names:
    """Names of a log in one spelling each: the most frequent one of the first column."""

    def __init__(self) -> None:
        self.spellings: list[str] = []
        self.place: dict[str, int] = {}

    def codes(self, reading: Reading, name: str, *, grow: bool) -> Ints:
        """Codes into ``spellings``, shape (rows,): -1 for blank, -2 for a name not known.

        With `grow` new names are added.
        """
        column = reading.column(name)
        if column is None:
            return np.full(reading.rows, -1, dtype=np.int64)
        counts = np.bincount(column.codes, minlength=len(column.distinct))
        code = np.full(len(column.distinct), -1, dtype=np.int64)
        for at in np.argsort(-counts, kind="stable"):
            text = column.distinct[at]
            if not counts[at] or is_blank(text, name=True):
                continue
            key = name_key(text)
            if is_blank(text) and name not in ALWAYS_NAMED and key not in self.place:
                continue
            if key not in self.place and grow:
                self.place[key] = len(self.spellings)
                self.spellings.append(tidy_name(text))
            code[at] = self.place.get(key, -2)
        self._note(reading, name, column, code)
        return code[column.codes]

    def _note(self, reading: Reading, name: str, column: RawColumn, code: Ints) -> None:
        reading.note(
            name,
            {
                int(at): self.spellings[code[at]] if code[at] >= 0 else "blank"
                for at in range(len(code))
                if code[at] != -2
                and column.distinct[at] != ""
                and (code[at] < 0 or str(column.distinct[at]) != self.spellings[code[at]])
            },
        )


def counts(reading: Reading, name: str) -> Ints:
    """Whole numbers from 1, shape (rows,); 0 where refused."""
    column = reading.column(name)
    if column is None:
        return np.zeros(reading.rows, dtype=np.int64)
    found = parse_numbers(column.distinct, comma_decimals=reading.raw.comma_decimals)
    value = np.nan_to_num(found.value, nan=0.0)
    whole = (value == np.floor(value)) & (value >= 1) & (value <= _LARGEST_COUNT)
    reasons = {}
    for at in np.flatnonzero(~whole):
        text = shown_cell(column.distinct[at])
        reasons[int(at)] = "blank" if found.blank[at] else f"{text} is no whole number from 1"
    many = "rallies" if name == "rally" else f"{name}s"
    mends = dict.fromkeys(reasons, f"number the {many} 1, 2, 3 and so on")
    reading.note(name, {at: how for at, how in found.read_as.items() if whole[at]})
    reading.refuse_values(name, reasons, mends)
    return np.where(whole, value, 0).astype(np.int64)[column.codes]


def scores(reading: Reading, name: str) -> Floats:
    """Whole numbers from 0, shape (rows,); missing where blank, or not understood and said so."""
    column = reading.column(name)
    if column is None:
        return np.full(reading.rows, np.nan)
    found = parse_numbers(column.distinct, comma_decimals=reading.raw.comma_decimals)
    whole = (found.value == np.floor(found.value)) & (found.value >= 0)
    whole &= found.value <= _LARGEST_COUNT
    reasons = {
        int(at): f"{shown_cell(column.distinct[at])} is no whole number from 0; left blank"
        for at in np.flatnonzero(~whole & ~found.blank)
    }
    mends = dict.fromkeys(reasons, "write the score before the rally, seen by who strikes")
    reading.note(name, {at: how for at, how in found.read_as.items() if whole[at]})
    reading.refuse_values(name, reasons, mends, doubt=True)
    return np.where(whole, found.value, np.nan)[column.codes]


def numbers(
    reading: Reading, name: str, *, unit: str | None = None, clock: bool = False, only: Any = None
) -> tuple[Floats, Bools]:
    """Numbers of a column and whether the cell is blank, each of shape (rows,).

    Cells that are neither are refused in the rows of the mask ``only``, and missing.
    """
    column = reading.column(name)
    if column is None:
        return np.full(reading.rows, np.nan), np.ones(reading.rows, dtype=bool)
    found = parse_numbers(
        column.distinct, comma_decimals=reading.raw.comma_decimals, unit=unit, clock=clock
    )
    _note_numbers(reading, name, column, found)
    reasons = {
        int(at): f"{shown_cell(column.distinct[at])} is no number"
        for at in np.flatnonzero(found.wrong)
    }
    reading.refuse_values(name, reasons, found.mend, only)
    return found.value[column.codes], found.blank[column.codes]


def _note_numbers(reading: Reading, name: str, column: RawColumn, found: Numbers) -> None:
    """List the ways numbers were typed, once each and not value by value."""
    tallies = np.bincount(column.codes, minlength=len(column.distinct))
    first: dict[str, int] = {}
    rows: dict[str, int] = {}
    for at, how in found.read_as.items():
        if tallies[at]:
            first.setdefault(how, at)
            rows[how] = rows.get(how, 0) + int(tallies[at])
    for how, at in first.items():
        reading.folded.add(
            reading.shown(name), f"such as {str(column.found[at]).strip()}", how, rows[how]
        )
