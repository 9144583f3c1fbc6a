"""Apply a map: their columns under our headings, line numbers and cells as in their file."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Ints
from sidewall.court import Court
from sidewall.court.floor import FloorView
from sidewall.court.units import to_metres
from sidewall.errors import DataError, LogError
from sidewall.log.cells import is_blank, parse_numbers
from sidewall.log.mapping.column_map import RALLY, ROW_NAMES, SHOT, ColumnMap, Entry, plain
from sidewall.log.mapping.headings import Headings
from sidewall.log.mapping.unroll import Cells, unroll
from sidewall.log.raw import Objects, RawColumn, RawLog, shown_cell

#: Columns in which a code may stand for a player.
_PLAYERS: Final = ("player", "opponent", "rally_won_by", "server", "receiver")
_SCORE_OF: Final = {
    "points": ("own_points", "opponent_points"),
    "games": ("own_games", "opponent_games"),
}
#: A click of unknown quality: only the place is taken from it.
_ANY_PX: Final = 1.0


class Across:
    """Adds to the cells of a log, which it changes, what follows from several columns.

    `rows` is their row of every shot, shape (n,).
    """

    def __init__(
        self, cells: dict[str, Cells], known: ColumnMap, headings: Headings, rows: Any
    ) -> None:
        self.cells, self.known, self.headings, self.rows = cells, known, headings, rows

    def _theirs(self, heading: str, where: str) -> Objects:
        return self.headings.cells(heading, where)[self.rows]

    def _ours(self, name: str) -> Objects:
        column = self.cells[name].column
        return column.distinct[column.codes]

    def _put(self, name: str, values: Objects, label: str, unit: str | None = None) -> None:
        """Put cells in place, and keep what stood there for messages."""
        before = self.cells.get(name)
        typed = values if before is None else before.column.cells(np.arange(len(values)))
        column = RawColumn(np.arange(len(values)), values, typed)
        self.cells[name] = Cells(column, label if before is None else before.label, unit)

    def take_file_name(self) -> None:
        """Take the match, the game and so on from the name of the file."""
        pattern = self.known.file_name
        if not pattern:
            return
        parts = re.split(r"\{(\w+)\}", pattern)
        text = "".join(
            f"(?P<{part}>.+?)" if at % 2 else re.escape(part) for at, part in enumerate(parts)
        )
        stem = Path(self.headings.raw.source).stem
        found = re.fullmatch(text, stem, re.IGNORECASE)
        if found is None:
            raise LogError(
                f"{self.known.name}: file_name is {pattern!r}, which the file {stem!r} does not "
                "fit. Rename the file, or mend the pattern."
            )
        for name, value in found.groupdict().items():
            self._put(name, np.full(len(self.rows), value.strip(), dtype=object), "the file's name")

    def add_score(self) -> None:
        """Score before the rally, from a column for each player to who strikes and the other."""
        for what, columns in self.known.score.items():
            striker = np.array([plain(cell) for cell in self._ours("player")])
            (one, first), (two, second) = columns.items()
            cells = [self._theirs(text, f"score.{what}") for text in (first, second)]
            mine = [striker == plain(one), striker == plain(two)]
            blank = np.full(len(striker), "", dtype=object)
            for name, pair in zip(_SCORE_OF[what], (cells, cells[::-1]), strict=True):
                self._put(name, np.select(mine, pair, blank), f"{first} / {second}")

    def name_players(self) -> None:
        """Put the players' names in the place of codes."""
        if not self.known.names:
            return
        names = {plain(code): self._names(code, to) for code, to in self.known.names.items()}
        for column in (one for one in _PLAYERS if one in self.cells):
            cells = self._ours(column).copy()
            codes = np.array([plain(cell) for cell in cells])
            for code, name in names.items():
                cells[codes == code] = name[codes == code]
            self._put(column, cells, column)

    def _names(self, code: str, to: str | Mapping[str, str]) -> Objects:
        if isinstance(to, str):
            return self._theirs(to, f"names.{code}")
        by_match = {plain(match): name for match, name in to.items()}
        matches = self._ours("match")
        unknown = sorted({str(one) for one in matches if one != "" and plain(one) not in by_match})
        if unknown:
            raise LogError(
                f"{self.known.name}: names.{code} does not say who that is in the match "
                f"{shown_cell(unknown[0])}. Add a line for it."
            )
        return np.array([by_match.get(plain(one), "") for one in matches], dtype=object)

    def place_pixels(self, court: Court) -> None:
        """Places on the floor from pixels of a camera that stands still."""
        in_px = [name for name, one in self.cells.items() if one.unit == "px"]
        if not in_px:
            return
        points = [
            {"name": name, "u": u, "v": v, "px": _ANY_PX}
            for name, (u, v) in self.known.pixels.items()
        ]
        try:
            across = [spot[0] for spot in self.known.pixels.values()]
            width = int(max(across, default=1) - min(across, default=0)) or 1
            view = FloorView(points, (width, width), court)
        except DataError as error:
            raise LogError(f"{self.known.name}: [pixels]: {error}") from error
        for x in (name for name in in_px if name.endswith("x")):
            y = f"{x[:-1]}y"
            numbers = [
                parse_numbers(self._ours(name), comma_decimals=True).value for name in (x, y)
            ]
            floor = view.places(np.column_stack(numbers))
            told = ~np.isnan(numbers)
            for name, own, metres in zip((x, y), told, floor.T, strict=True):
                cells = self._ours(name).copy()
                found = ~np.isnan(metres)
                cells[found] = np.round(metres[found], 3)
                # words, which no reader takes for a number of metres
                cells[own & ~found] = "above the floor"
                cells[own & ~told.all(axis=0)] = "half a place"
                self._put(name, cells, name, "m")

    def apply_rules(self) -> None:
        """Set our columns where their cells say so; the first rule that fits a row counts."""
        done: dict[str, Bools] = {}
        for number, (when, then) in enumerate(self.known.rules, 1):
            fits = np.ones(len(self.rows), dtype=bool)
            for name, wanted in when.items():
                where = f"rules {number}, when"
                cells = self._ours(name) if name in self.cells else self._theirs(name, where)
                fits &= pd.Series(cells).map(plain).isin([plain(one) for one in wanted]).to_numpy()
            for name, word in then.items():
                at = fits & ~done.get(name, np.zeros(len(fits), dtype=bool))
                done[name] = done.get(name, at) | fits
                blank = np.full(len(fits), "", dtype=object)
                cells = self._ours(name).copy() if name in self.cells else blank
                cells[at] = word
                self._put(name, cells, f"{name} (rule)")
                read_as = f"{word} ({self.known.name})"
                self.headings.raw.folded.add(name, f"(rule {number})", read_as, int(at.sum()))


MapSource: TypeAlias = str | os.PathLike[str] | ColumnMap
_COUNTED: Final = {"shot": ("match", "game", "rally"), "rally": ("match", "game")}


def apply_map(raw: RawLog, mapping: MapSource, court: Court | None = None) -> RawLog:
    """Put a log's columns under our headings, one row a shot; several may share a line of the file.

    The court is for coordinates measured from the right or the back wall, or the middle. A
    LogError if the map cannot be read, or names a column that the log does not have; a UnitError
    if it gives a length without its unit.
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
        cells["side"] = replace(cells["stroke"], column=RawColumn.constant("", len(rows)))
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
            column = RawColumn.constant(entry.always, rows)
            found[name] = Cells(column, f"{name} (always)", entry.unit)
        elif entry.column is not None:
            column = headings.column(entry.column, f"columns.{name}")
            found[name] = Cells(column, entry.column, entry.unit, entry.measured_from)
    return found


def _count(cells: dict[str, Cells], known: ColumnMap, rows: Ints) -> None:
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


def _codes(column: RawColumn) -> Ints:
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
