"""What a map makes of several of their columns at once: places, names, scores and rules."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from sidewall.court import Court
from sidewall.court.floor import FloorView
from sidewall.errors import DataError, LogError
from sidewall.log.mapping.column_map import ColumnMap, plain
from sidewall.log.mapping.headings import Headings
from sidewall.log.mapping.unroll import Cells
from sidewall.log.numerals import parse_numbers
from sidewall.log.raw import RawColumn, shown_cell

_Objects = npt.NDArray[np.object_]
#: Columns in which a code may stand for a player.
_PLAYERS: Final = ("player", "opponent", "rally_won_by", "server", "receiver")
_SCORE_OF: Final = {
    "points": ("own_points", "opponent_points"),
    "games": ("own_games", "opponent_games"),
}
#: A click of unknown quality: only the place is taken from it.
_ANY_PX: Final = 1.0


class Across:
    """Adds to the cells of a log what follows from several columns.

    Parameters
    ----------
    cells
        Our columns so far; they are changed.
    known
        The map.
    headings
        Of their log.
    rows : ndarray of int, shape (n,)
        Their row of every shot.
    """

    def __init__(
        self, cells: dict[str, Cells], known: ColumnMap, headings: Headings, rows: Any
    ) -> None:
        self.cells, self.known, self.headings, self.rows = cells, known, headings, rows

    def _theirs(self, heading: str, where: str) -> _Objects:
        return self.headings.cells(heading, where)[self.rows]

    def _ours(self, name: str) -> _Objects:
        column = self.cells[name].column
        return column.distinct[column.codes]

    def _put(self, name: str, values: _Objects, label: str, unit: str | None = None) -> None:
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

    def _names(self, code: str, to: str | Mapping[str, str]) -> _Objects:
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
            for name, metres in zip((x, y), floor.T, strict=True):
                cells = self._ours(name).copy()
                found = ~np.isnan(metres)
                cells[found] = np.round(metres[found], 3)
                lost = ~found & ~np.isnan(numbers[0] + numbers[1])
                cells[lost] = "above the floor"  # which no reader takes for a number
                self._put(name, cells, name, "m")

    def apply_rules(self) -> None:
        """Set our columns where their cells say so; the first rule that fits a row counts."""
        done: dict[str, npt.NDArray[np.bool_]] = {}
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
