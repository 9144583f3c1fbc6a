"""Details of players and of matches, from small tables or from columns of the log.

A detail belongs to the player (hand, group, initials) or to the match (date, tin height,
board width, scoring), so it has one value for each. A row that says otherwise is refused.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.arguments import Ints
from sidewall.court.units import to_metres
from sidewall.errors import LogError, UnitError
from sidewall.log.cells import is_blank, name_key, parse_numbers, tidy_name
from sidewall.log.columns import Heading, is_length, understand
from sidewall.log.dates import parse_dates
from sidewall.log.raw import Objects, RawColumn, RawLog, shown_cell, shown_list
from sidewall.log.reading import Reading
from sidewall.log.source import Source, open_log
from sidewall.log.synonyms import understand_word

OF_PLAYER: Final = ("hand", "group", "initials")
OF_MATCH: Final = ("date", "tin_height", "board_width", "scoring")
#: Plausible heights of a tin and widths of a board, metres.
_LIMITS: Final = {"tin_height": (0.1, 1.0), "board_width": (0.02, 0.5)}


@dataclass(frozen=True)
class Understood:
    """Distinct cells of a detail: their values (None if blank), and what is wrong."""

    value: list[Any]
    reasons: dict[int, str]
    mends: dict[int, str]
    read_as: dict[int, str]


#: What a table of players or of matches says: for each detail, values by folded name.
DetailTable: TypeAlias = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Owner:
    """Who details belong to: the ``player`` or the ``match`` of each row, by position in `names`.

    `of_row` has shape (rows,), negative where not known; `table` holds what was said of them apart.
    """

    what: str
    of_row: Ints
    names: list[str]
    table: DetailTable


def open_table(table: Source | RawLog, key: str, encoding: str | None = None) -> RawLog:
    """Open a table of players or matches; the encoding named counts where it is not UTF-8."""

    def needs(headings: list[str]) -> list[str]:
        found = [known[0] for known in map(understand, headings) if known is not None]
        return [] if key in found else [key]

    try:
        return open_log(table, needs=needs)
    except LogError:
        if encoding is None or not isinstance(table, str | os.PathLike):
            raise
        return open_log(table, needs=needs, encoding=encoding)


def read_table(
    table: Source | RawLog | None, key: str, names: tuple[str, ...], encoding: str | None = None
) -> DetailTable:
    """Read a players or matches table; ``encoding`` counts where it is not UTF-8.

    A LogError if it cannot be read, lacks its key column, holds an unknown value, or says two
    things of one player or match; a UnitError if a length comes without its unit.
    """
    what = f"the {key} table"
    if table is None:
        return {}
    raw = open_table(table, key, encoding)
    known: dict[str, tuple[str, str | None, RawColumn]] = {}
    for text, column in raw.columns:
        found = understand(text)
        if found is not None and found[0] in (key, *names):
            if found[0] in known:
                raise LogError(
                    f"{what} ({raw.source}): the headings {known[found[0]][0]!r} and {text!r} both "
                    f"stand for {found[0]}. Keep one."
                )
            known[found[0]] = (text, found[1], column)
    if key not in known:
        raise LogError(
            f"{what} ({raw.source}) has no column {key}. The headings found are: "
            f"{shown_list([text for text, _ in raw.columns])}."
        )
    everywhere = np.arange(len(raw.lines))
    keys = [name_key(cell) for cell in known[key][2].cells(everywhere)]
    places = raw.where(everywhere)
    details: DetailTable = {}
    for name in names:
        if name not in known:
            continue
        text, unit, column = known[name]
        understood = understand_detail(name, column, Heading(0, text, unit), raw)
        details[name] = _keyed(keys, column, understood, places, f"{what} ({raw.source}), {text}")
    return details


def _keyed(
    keys: list[str], column: RawColumn, found: Understood, places: list[str], where: str
) -> dict[str, Any]:
    keyed: dict[str, Any] = {}
    for key, code, place in zip(keys, column.codes.tolist(), places, strict=True):
        if code in found.reasons:
            raise LogError(
                f"{where}, {place}: {found.reasons[code]}. Mend: {found.mends.get(code, '')}."
            )
        value = found.value[code]
        if value is None or not key:
            continue
        if keyed.setdefault(key, value) != value:
            raise LogError(
                f"{where}, {place}: {value} here, but {keyed[key]} on an earlier line. "
                "Keep one line for each."
            )
    return keyed


def understand_detail(name: str, column: RawColumn, heading: Heading, raw: RawLog) -> Understood:
    """Understand the distinct cells of one detail."""
    if is_length(name):
        if heading.unit is None or heading.unit == "boards":
            raise UnitError(
                f"{raw.source}: the heading {heading.text!r} needs a unit: name it "
                f"{name}_cm, {name}_in or {name}_m."
            )
        return _lengths(name, column, heading.unit, raw.comma_decimals)
    if name == "date":
        dates, mends = parse_dates(column.distinct)
        reasons = {at: f"{shown_cell(column.distinct[at])} is no clear date" for at in mends}
        return Understood(dates, reasons, mends, {})
    found = Understood([None] * len(column.distinct), {}, {}, {})
    for at, cell in enumerate(column.distinct):
        if is_blank(cell):
            continue
        if name != "hand":
            found.value[at] = tidy_name(cell)
            continue
        meaning = understand_word("hand", cell)
        found.value[at] = meaning.value
        if meaning.value is None:
            found.reasons[at] = f"{shown_cell(cell)} is no hand"
            found.mends[at] = meaning.mend
        elif cell != meaning.value:
            found.read_as[at] = meaning.value
    return found


def _lengths(name: str, column: RawColumn, unit: str, commas: bool) -> Understood:
    numbers = parse_numbers(column.distinct, comma_decimals=commas, unit=unit)
    low, high = _LIMITS[name]
    found = Understood([None] * len(column.distinct), {}, {}, {})
    for at, value in enumerate(to_metres(numbers.value, unit).tolist()):
        text = shown_cell(column.distinct[at])
        if numbers.wrong[at]:
            found.reasons[at] = f"{text} is no number"
            found.mends[at] = numbers.mend[at]
        elif numbers.blank[at]:
            continue
        elif not low <= value <= high:
            found.reasons[at] = f"{text[1:-1]} {unit} is not plausible"
            found.mends[at] = f"it should lie between {low:g} and {high:g} m: check the unit"
        else:
            found.value[at] = value
    return found


def settle(reading: Reading, name: str, owner: Owner) -> Objects | None:
    """One value of a detail for each player or match, (keys,); None without the detail.

    The owners' table goes before the log, whose rows that say otherwise are refused.
    """
    key, keys, given = owner.of_row, owner.names, owner.table.get(name, {})
    settled = np.array([given.get(name_key(text)) for text in keys], dtype=object)
    column = reading.column(name)
    if column is None:
        return settled if given else None
    heading = reading.headings[name]
    found = understand_detail(name, column, heading, reading.raw)
    reading.note(name, found.read_as)
    reading.refuse_values(name, found.reasons, found.mends)
    places, distinct = pd.factorize(np.array([*found.value, None], dtype=object))
    value = places[:-1][column.codes]
    said = (value >= 0) & (key >= 0)
    width = max(len(distinct), 1)
    pairs, shots = np.unique(key[said] * width + value[said], return_counts=True)
    for at in np.argsort(-shots, kind="stable"):
        owner_at = pairs[at] // width
        if settled[owner_at] is None:
            settled[owner_at] = distinct[pairs[at] % width]
    place_of = {one: at for at, one in enumerate(distinct)}
    due = np.array([place_of.get(one, -1) for one in settled], dtype=np.int64)
    other = np.flatnonzero(said & (value != due[np.where(key >= 0, key, 0)]))
    texts = [f"{settled[one]} elsewhere for the same {owner.what}" for one in range(len(keys))]
    reading.refuse(
        other,
        name,
        [texts[one] for one in key[other].tolist()],
        f"a {owner.what} has one {name.replace('_', ' ')}: make the rows"
        + (f" and the {owner.what} table agree" if given else " agree"),
    )
    return settled
