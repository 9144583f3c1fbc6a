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

    [names]  # who the codes A and B are: the heading that says so, or names by match
    A = "Name A"

    [names.B]
    "Night 1" = "Hazel"

    [score]  # before the rally
    points = { A = "Points A", B = "Points B" }

    [pixels]  # for x = { column = "u", unit = "px" }: four points of the floor
    "front left corner" = [412, 301]

    [[rules]]  # the first that fits a row counts
    when = { Reason = ["error", "fault"], Winner = "B" }
    then = { ending = "out" }

One file a game: ``file_name = "{match} game {game}"``, above all tables.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from sidewall.arguments import parse_toml
from sidewall.court.units import parse_column, parse_unit
from sidewall.errors import LogError, UnitError
from sidewall.log.columns import SPECS, is_length
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
    plain,
)

_TOP: Final = (
    *("each_row_is", "columns", "first", "second", "every_shot", "sequence", "words"),
    *("names", "score", "pixels", "rules", "file_name"),
)
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
    made = ColumnMap(
        columns,
        form,
        **repeated,
        sequence=sequence,
        words=_words(found, name),
        names=_texts(found, "names", name),
        score=_texts(found, "score", name),
        pixels=_pixels(found, name),
        rules=_rules(found, name),
        file_name=found.get("file_name", ""),
        name=name,
    )
    _check_across(made)
    return made


def _texts(found: Mapping[str, Any], table: str, name: str) -> dict[str, Any]:
    """A table of texts, or of tables of texts."""
    given = found.get(table, {})
    inner = given.values() if isinstance(given, dict) else [None]
    texts = [text for one in inner for text in (one.values() if isinstance(one, dict) else [one])]
    if not all(isinstance(text, str) and text.strip() for text in texts):
        raise LogError(f"{name}: [{table}] must hold names and texts in quotation marks.")
    return dict(given)


def _pixels(found: Mapping[str, Any], name: str) -> dict[str, tuple[float, float]]:
    points = found.get("pixels", {})
    if not isinstance(points, dict):
        raise LogError(f"{name}: pixels must be a table: write [pixels] on a line of its own.")
    for point, spot in points.items():
        numbers = isinstance(spot, list) and len(spot) == 2
        if not numbers or not all(type(one) in (int, float) for one in spot):
            raise LogError(
                f"{name}: [pixels] {point!r} is {spot!r}. Write the point of the floor and its "
                'pixels from the left and from the top: "front left corner" = [412, 301].'
            )
    return {point: (float(u), float(v)) for point, (u, v) in points.items()}


def _rules(found: Mapping[str, Any], name: str) -> tuple[Any, ...]:
    rules = []
    given = found.get("rules", [])
    for number, rule in enumerate(given if isinstance(given, list) else [given], 1):
        if not isinstance(rule, dict) or set(rule) != {"when", "then"} or not all(rule.values()):
            raise LogError(
                f'{name}: rule {number} must say when and then: when = {{ Reason = "error" }}, '
                'then = { ending = "out" }.'
            )
        when, then = rule["when"], rule["then"]
        _known(then, list(SPECS), name, f"rule {number}, then")
        wanted = {
            key: tuple(str(text) for text in (one if isinstance(one, list) else [one]))
            for key, one in when.items()
        }
        rules.append((wanted, {key: str(word) for key, word in then.items()}))
    return tuple(rules)


def _check_across(made: ColumnMap) -> None:
    """Refuse what cannot be joined from several columns."""
    every = [made.columns, made.first, made.second, made.every_shot]
    given = {ours: entry for table in every for ours, entry in table.items()}
    in_px = {ours for ours, entry in given.items() if entry.unit == "px"}
    for ours in in_px:
        other = ours[:-1] + ("y" if ours.endswith("x") else "x")
        if other not in in_px:
            raise UnitError(
                f"{made.name}: {ours} is in pixels, so {other} is needed in pixels too."
            )
    if bool(in_px) != bool(made.pixels):
        raise LogError(
            f'{made.name}: places in pixels (unit = "px") and the four points of the floor under '
            "[pixels] go together. Give both, or neither."
        )
    _known(made.score, ("points", "games"), made.name, "[score]")
    for what, columns in made.score.items():
        if not isinstance(columns, Mapping) or len(columns) != 2 or "player" not in given:
            raise LogError(
                f"{made.name}: score.{what} needs the player's column, and a heading for each of "
                f'the two as they stand in it: {what} = {{ A = "Score A", B = "Score B" }}.'
            )
    if "" in made.words.get("ending", {}):
        raise LogError(
            f"{made.name}: words.ending gives a blank a meaning, which would end the rally at "
            "every shot. Use a rule across columns."
        )
    named = re.findall(r"\{(\w+)\}", str(made.file_name))
    if made.file_name and (not named or len(set(named)) < len(named) or set(named) & set(given)):
        raise LogError(
            f"{made.name}: file_name is {made.file_name!r}. Put each of our columns that it holds "
            'into it once, as in "{match} game {game}", and not under [columns] too.'
        )
    _known(dict.fromkeys(named), list(SPECS), made.name, "file_name")


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
    entry = _with_unit(ours, entry, where, name)
    _check_origin(ours, entry, where, name)
    return entry


def _with_unit(ours: str, entry: Entry, where: str, name: str) -> Entry:
    if not is_length(ours):
        if entry.unit is not None:
            raise LogError(f"{name}: {where} is no length and has no unit. Delete the unit.")
        return entry
    if entry.taken_from is not None:
        return entry
    unit = entry.unit or parse_column(entry.column or "").unit
    if unit == "px" and ours.rpartition("_")[2] in ORIGINS and entry.measured_from is None:
        return entry  # a place in a picture
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


def _check_origin(ours: str, entry: Entry, where: str, name: str) -> None:
    if entry.measured_from is None:
        return
    axis = ours.rpartition("_")[2]
    if not is_length(ours) or axis not in ORIGINS:
        raise LogError(f"{name}: {where}: only x and y can be measured from somewhere else.")
    if entry.measured_from not in ORIGINS[axis]:
        raise LogError(
            f"{name}: {where}.measured_from is {entry.measured_from!r}. Use one of "
            f"{_quoted(ORIGINS[axis])}."
        )


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
        if is_length(one):
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
        folded = [plain(theirs) for theirs in table]
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
