"""Apply a map: their columns under our headings, line numbers and cells as in their file."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from sidewall.court import Court
from sidewall.court.units import to_metres
from sidewall.errors import LogError
from sidewall.log.mapping.across import Across
from sidewall.log.mapping.column_map import RALLY, ROW_NAMES, SHOT, ColumnMap, Entry, plain
from sidewall.log.mapping.headings import Headings
from sidewall.log.mapping.unroll import Cells, unroll
from sidewall.log.numerals import is_blank, parse_numbers
from sidewall.log.raw import RawColumn, RawLog

MapSource: TypeAlias = str | os.PathLike[str] | ColumnMap
_COUNTED: Final = {"shot": ("match", "game", "rally"), "rally": ("match", "game")}


def apply_map(raw: RawLog, mapping: MapSource, court: Court | None = None) -> RawLog:
    """Put a log's columns under our headings.

    Parameters
    ----------
    raw
        The log as it stands in the file.
    mapping
        The map, or the file that holds it.
    court
        For coordinates measured from the right or the back wall, or the middle.

    Returns
    -------
    RawLog
        One row a shot; several may share a line of their file.

    Raises
    ------
    LogError
        If the map cannot be read, or names a column that the log does not have.
    UnitError
        If the map gives a length without its unit.
    """
    known = read_map(mapping)
    headings = Headings(raw, known.name)
    if known.each_row_is == SHOT:
        rows, cells = np.arange(len(raw.lines)), _as_they_are(headings, known)
    else:
        rows, cells = unroll(headings, known)
    across = Across(cells, known, headings, rows)
    across.take_file_name()
    across.add_score()
    across.name_players()
    _count(cells, known, rows)
    across.place_pixels(court or Court())
    across.apply_rules()
    if "side" not in cells and "stroke" in cells:
        # It may stand beside the stroke, as in BH drive; where it does not, the row is refused.
        cells["side"] = replace(cells["stroke"], column=constant("", len(rows)))
    columns, theirs, by_row = [], {}, {}
    for name, one in cells.items():
        if name in ROW_NAMES:
            continue
        heading = f"{name}_{one.unit}" if one.unit else name
        column = _in_our_words(one.column, name, one.label, known, raw)
        if one.measured_from:
            column = _from_our_corner(column, name, one, court or Court(), raw)
            heading = f"{name}_m"
        columns.append((heading, column))
        if one.label != heading:
            theirs[heading] = one.label
        if one.labels is not None:
            by_row[one.label] = one.labels
    headings.note_unused()
    return replace(
        raw,
        columns=columns,
        lines=raw.lines[rows],
        sheet_of=None if raw.sheet_of is None else raw.sheet_of[rows],
        overfull={
            at: raw.overfull[row] for at, row in enumerate(rows.tolist()) if row in raw.overfull
        },
        their_headings=theirs,
        headings_by_row=by_row,
        map_name=known.name,
    )


def read_map(mapping: MapSource) -> ColumnMap:
    """Return the map, read from its file where it is not given itself."""
    return mapping if isinstance(mapping, ColumnMap) else ColumnMap.read(mapping)


def _as_they_are(headings: Headings, known: ColumnMap) -> dict[str, Cells]:
    rows = len(headings.raw.lines)
    found = {}
    for name, entry in known.columns.items():
        if entry.always is not None:
            found[name] = Cells(constant(entry.always, rows), f"{name} (always)", entry.unit)
        elif entry.column is not None:
            column = headings.column(entry.column, f"columns.{name}")
            found[name] = Cells(column, entry.column, entry.unit, entry.measured_from)
    return found


def constant(value: str, rows: int) -> RawColumn:
    """Return a column that holds one value."""
    return RawColumn(np.zeros(rows, dtype=np.int64), np.array([value], dtype=object))


def _count(cells: dict[str, Cells], known: ColumnMap, rows: npt.NDArray[np.int64]) -> None:
    """Number rallies, then shots, in the order of the file where the map says so."""
    for name in ("rally", "shot"):
        entry = known.columns.get(name, Entry())
        if not entry.count:
            continue
        keys = [one for one in _COUNTED[name] if one in cells]
        table = pd.DataFrame({key: _codes(cells[key].column) for key in keys}, np.arange(len(rows)))
        table["all"] = 0
        if name == "rally":  # one row of theirs is a rally: its shots share the number
            if known.each_row_is != RALLY:
                raise LogError(
                    f"{known.name}: columns.rally: rallies can be counted only where each row is "
                    "a rally. Name the column that numbers them."
                )
            table["first"] = np.append(True, rows[1:] != rows[:-1]) if len(rows) else True
            number = table.groupby([*keys, "all"])["first"].cumsum()
        else:
            number = table.groupby([*keys, "all"]).cumcount() + 1
        cells[name] = Cells(RawColumn.of(number.astype(np.int64)), f"{name} (counted)")


def _codes(column: RawColumn) -> npt.NDArray[np.int64]:
    """Codes that are equal where the cells say the same."""
    places, _ = pd.factorize(np.array([plain(cell) for cell in column.distinct], dtype=object))
    return places[column.codes]


def _in_our_words(
    column: RawColumn, name: str, label: str, known: ColumnMap, raw: RawLog
) -> RawColumn:
    words = {plain(theirs): ours for theirs, ours in known.words.get(name, {}).items()}
    if not words:
        return column
    ours = column.distinct.copy()
    counts = np.bincount(column.codes, minlength=len(ours))
    for at, cell in enumerate(column.distinct):
        if plain(cell) in words:
            ours[at] = words[plain(cell)]
            if ours[at] != cell:
                read_as = f"{ours[at] or 'blank'} ({known.name})"
                raw.folded.add(label, cell if cell != "" else "blank", read_as, int(counts[at]))
    return RawColumn(column.codes, ours, column.found)


def _from_our_corner(
    column: RawColumn, name: str, cells: Cells, court: Court, raw: RawLog
) -> RawColumn:
    """Convert a coordinate to metres from the left or the front wall."""
    unit = cells.unit or "m"
    numbers = parse_numbers(column.distinct, comma_decimals=raw.comma_decimals, unit=unit)
    value = to_metres(numbers.value, unit)
    extent = court.width_m if name.endswith("x") else court.length_m
    if cells.measured_from in ("right wall", "back wall"):
        value = extent - value
    elif cells.measured_from == "middle":
        value = extent / 2 + value
    ours = column.distinct.copy()
    for at in np.flatnonzero(~np.isnan(value)):
        if not is_blank(column.distinct[at]):
            ours[at] = float(np.round(value[at], 9))  # without the dust of the subtraction
    return RawColumn(column.codes, ours, column.found)
