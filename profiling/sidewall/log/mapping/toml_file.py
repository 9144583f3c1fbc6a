"""A map of columns as a TOML file.

::

    each_row_is = "a shot"

    [columns]
    match = "Match no"
    player = "Hitter"
    gap = { column = "Wall", unit = "cm" }
    scoring = { always = "par11" }

    [words.stroke]
    SD = "straight drive"
"""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sidewall.arguments import parse_toml
from sidewall.court.units import parse_column, parse_unit
from sidewall.errors import LogError, UnitError
from sidewall.log.columns import SPECS
from sidewall.log.mapping.column_map import (
    EXCHANGE,
    FORMS,
    ORIGINS,
    RALLY,
    ROW_NAMES,
    SHOT,
    ColumnMap,
    Entry,
    SequenceCell,
)

_TOP: Final = ("each_row_is", "columns", "first", "second", "every_shot", "sequence", "words")
_ENTRY: Final = ("column", "unit", "always", "count", "measured_from", "taken_from")
_SEQUENCE: Final = ("column", "between", "parts", "within", "unit")
#: Tables that go with each form.
_TABLES: Final = {SHOT: (), EXCHANGE: ("first", "second"), RALLY: ("every_shot", "sequence")}
_OPEN: Final = "?"


def read_file(path: str | os.PathLike[str]) -> ColumnMap:
    """Read a map; see :meth:`ColumnMap.read`."""
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise LogError(
            f"{file}: there is no such map. `sidewall map --guess LOG` proposes one."
        ) from None
    except (OSError, ValueError) as error:
        raise LogError(f"{file}: the map cannot be read: save it as UTF-8 text.") from error
    return read_text(text, file.name)


def read_text(text: str, name: str) -> ColumnMap:
    """Read a map from text; see :meth:`ColumnMap.read`."""
    try:
        found = parse_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise LogError(
            f"{name}: this is no TOML ({error}). Every line is a name, an equals sign and a value "
            "in quotation marks; a name may stand once in a table."
        ) from error
    _known(found, _TOP, name, "the map")
    form = found.get("each_row_is", SHOT)
    if form not in FORMS:
        raise LogError(f"{name}: each_row_is is {form!r}. Use one of {_quoted(FORMS)}.")
    for table in ("first", "second", "every_shot", "sequence"):
        if table in found and table not in _TABLES[form]:
            raise LogError(
                f"{name}: [{table}] does not go with each_row_is = {form!r}. "
                "first and second go with an exchange, every_shot and sequence with a rally."
            )
    columns = _entries(found.get("columns", {}), "columns", name, form)
    repeated = {
        table: _entries(found.get(table, {}), table, name, form)
        for table in ("first", "second", "every_shot")
    }
    sequence = _sequence(found["sequence"], name) if "sequence" in found else None
    _check_shots(form, columns, repeated, sequence, name)
    return ColumnMap(
        columns, form, **repeated, sequence=sequence, words=_words(found, name), name=name
    )


def _check_shots(
    form: str,
    columns: Mapping[str, Entry],
    repeated: Mapping[str, Mapping[str, Entry]],
    sequence: SequenceCell | None,
    name: str,
) -> None:
    if form == EXCHANGE and not (repeated["first"] and repeated["second"]):
        raise LogError(f"{name}: an exchange has two shots: fill in [first] and [second].")
    if form == RALLY and bool(repeated["every_shot"]) == (sequence is not None):
        raise LogError(
            f"{name}: a rally's shots stand in repeated columns or in one cell: fill in either "
            "[every_shot] or [sequence]."
        )
    of_shots = {one for table in repeated.values() for one in table}
    of_shots |= set(sequence.parts) if sequence is not None else set()
    for one in of_shots & set(columns):
        raise LogError(
            f"{name}: {one} is given twice, under [columns] and for the shots of a row. Keep one."
        )
    gap = columns.get("gap")
    if gap is not None and gap.taken_from and "x" not in {*columns, *of_shots}:
        raise LogError(
            f"{name}: columns.gap is taken from x, and the map does not say where x comes from."
        )


def _entries(table: Any, where: str, name: str, form: str) -> dict[str, Entry]:
    if not isinstance(table, dict):
        raise LogError(f"{name}: {where} must be a table: write [{where}] on a line of its own.")
    allowed = [*SPECS, *(ROW_NAMES if form != SHOT and where == "columns" else ())]
    _known(table, allowed, name, f"[{where}]")
    return {ours: _entry(ours, value, f"{where}.{ours}", name) for ours, value in table.items()}


def _entry(ours: str, value: Any, where: str, name: str) -> Entry:
    given = {"column": value} if isinstance(value, str) else value
    if not isinstance(given, dict):
        raise LogError(
            f"{name}: {where} is {value!r}. Write your heading in quotation marks, or "
            '{ column = "...", unit = "cm" }.'
        )
    _known(given, _ENTRY, name, where)
    for key, one in given.items():
        if key == "count":
            if one is not True:
                raise LogError(f"{name}: {where}.count is {one!r}. Write count = true.")
        elif not isinstance(one, str | int | float) or isinstance(one, bool):
            raise LogError(f"{name}: {where}.{key} is {one!r}. Write it in quotation marks.")
    text = {key: str(one) for key, one in given.items() if key != "count"}
    _refuse_open(text, where, name)
    sources = [key for key in ("column", "always", "count", "taken_from") if key in given]
    if len(sources) != 1:
        raise LogError(
            f"{name}: {where} says {' and '.join(sources) or 'nothing'}. Give one of column, "
            "always, count and taken_from."
        )
    if "count" in given and ours not in ("shot", "rally"):
        raise LogError(f"{name}: {where}: only shots and rallies can be counted.")
    if "taken_from" in given and (ours, text["taken_from"]) != ("gap", "x"):
        raise LogError(f"{name}: {where}: only the gap can be taken from another column, from x.")
    entry = Entry(**text, count="count" in given)
    return _with_origin(ours, _with_unit(ours, entry, where, name), where, name)


def _with_unit(ours: str, entry: Entry, where: str, name: str) -> Entry:
    is_length = ours in SPECS and SPECS[ours].kind == "length"
    if not is_length:
        if entry.unit is not None:
            raise LogError(f"{name}: {where} is no length and has no unit. Delete the unit.")
        return entry
    if entry.taken_from is not None:
        return entry
    unit = entry.unit or parse_column(entry.column or "").unit
    if unit is None:
        raise UnitError(
            f"{name}: {where} does not say its unit, and nor does the heading "
            f'{entry.column or entry.always!r}. Add it, such as unit = "cm".'
        )
    try:
        unit = parse_unit(unit)
    except UnitError as error:
        raise UnitError(f"{name}: {where}: {error}") from error
    return Entry(entry.column, unit, entry.always, measured_from=entry.measured_from)


def _with_origin(ours: str, entry: Entry, where: str, name: str) -> Entry:
    if entry.measured_from is None:
        return entry
    axis = ours.rpartition("_")[2]
    if ours not in SPECS or SPECS[ours].kind != "length" or axis not in ORIGINS:
        raise LogError(f"{name}: {where}: only x and y can be measured from somewhere else.")
    if entry.measured_from not in ORIGINS[axis]:
        raise LogError(
            f"{name}: {where}.measured_from is {entry.measured_from!r}. Use one of "
            f"{_quoted(ORIGINS[axis])}."
        )
    return entry


def _sequence(table: Any, name: str) -> SequenceCell:
    if not isinstance(table, dict) or "column" not in table:
        raise LogError(f'{name}: [sequence] needs the heading of the cell: column = "...".')
    _known(table, _SEQUENCE, name, "[sequence]")
    parts = table.get("parts", list(SequenceCell.parts))
    texts = {key: one for key, one in table.items() if key != "parts"}
    if (
        not isinstance(parts, list)
        or not parts
        or not all(isinstance(one, str) and one in SPECS for one in parts)
    ):
        raise LogError(
            f"{name}: sequence.parts is {parts!r}. List our columns in the order in which a shot "
            'gives them, such as ["stroke", "gap"].'
        )
    if len(set(parts)) < len(parts):
        raise LogError(f"{name}: sequence.parts names a column twice: {parts!r}.")
    for key, one in texts.items():
        if not isinstance(one, str) or not one:
            raise LogError(f"{name}: sequence.{key} is {one!r}. Write it in quotation marks.")
    _refuse_open(texts, "sequence", name)
    cell = SequenceCell(**{**texts, "parts": tuple(parts)})
    if cell.between == cell.within:
        raise LogError(f"{name}: sequence: between and within are both {cell.between!r}.")
    for one in parts:
        if SPECS[one].kind == "length":
            entry = Entry("", cell.unit or ("m" if SPECS[one].metres_assumed else None))
            _with_unit(one, entry, "sequence", name)
    return cell


def _words(found: Mapping[str, Any], name: str) -> dict[str, dict[str, str]]:
    words = found.get("words", {})
    if not isinstance(words, dict):
        raise LogError(f"{name}: words must be tables: write [words.stroke], for instance.")
    _known(words, list(SPECS) + list(ROW_NAMES), name, "[words]")
    for ours, table in words.items():
        if not isinstance(table, dict) or not all(isinstance(one, str) for one in table.values()):
            raise LogError(
                f"{name}: [words.{ours}] must hold lines such as "
                '"your word" = "our word", each in quotation marks.'
            )
        _refuse_open(table, f"words.{ours}", name)
        folded = [" ".join(theirs.split()).casefold() for theirs in table]
        if len(set(folded)) < len(folded):
            raise LogError(f"{name}: [words.{ours}] gives a word twice. Case does not matter.")
    return words


def _refuse_open(table: Mapping[str, str], where: str, name: str) -> None:
    for key, value in table.items():
        if value.strip() == _OPEN:
            raise LogError(
                f"{name}: {where}: {key} is still {_OPEN!r}. Fill it in, or delete the line."
            )


def _known(table: Mapping[str, Any], allowed: Any, name: str, where: str) -> None:
    for key in table:
        if key not in allowed:
            close = difflib.get_close_matches(key, list(allowed), n=1)
            hint = f"Did you mean {close[0]!r}? " if close else ""
            raise LogError(
                f"{name}: {where} has an unknown name {key!r}. {hint}It may hold: "
                f"{', '.join(allowed)}."
            )


def _quoted(words: Any) -> str:
    return ", ".join(repr(word) for word in words)
