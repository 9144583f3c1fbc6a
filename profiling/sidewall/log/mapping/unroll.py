"""Rows that hold several shots, into one row a shot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Ints
from sidewall.errors import LogError
from sidewall.log.cells import is_blank
from sidewall.log.columns import is_length
from sidewall.log.mapping.column_map import EXCHANGE, ColumnMap, Entry, SequenceCell, plain
from sidewall.log.mapping.headings import Headings
from sidewall.log.raw import Objects, RawColumn

#: What a row says once: on its last shot, or on its first.
_ON_LAST: Final = ("ending", "rally_won_by")
_ON_FIRST: Final = ("t", "own_points", "opponent_points", "own_games", "opponent_games")
_MOST_SHOTS: Final = 500
#: What does not show by itself that a shot was played.
_NO_SHOT: Final = ("player", "opponent")


@dataclass(frozen=True)
class Cells:
    """One of our columns as it comes out of their log, under their heading or headings together.

    `unit` is that of a length, `measured_from` for a coordinate, and `labels` their heading of each
    row where it differs, (rows,).
    """

    column: RawColumn
    label: str
    unit: str | None = None
    measured_from: str | None = None
    labels: Objects | None = None


@dataclass(frozen=True)
class _Part:
    """One of our columns in one of the shots of every row."""

    cells: Objects
    label: str
    entry: Entry


_Shot = dict[str, _Part]


def unroll(headings: Headings, known: ColumnMap) -> tuple[Ints, dict[str, Cells]]:
    """Return the row of theirs that each shot comes from, and our columns.

    A row of theirs without any shot gives one shot with blank cells, so that it is refused
    with its line and not lost.
    """
    rows = len(headings.raw.lines)
    shared = {
        name: _part(headings, entry, f"columns.{name}", rows)
        for name, entry in known.columns.items()
        if entry.column is not None or entry.always is not None
    }
    if known.sequence is not None:
        shots = _sequence(headings, known.sequence)
    elif known.each_row_is == EXCHANGE:
        shots = [
            {name: _part(headings, entry, f"{where}.{name}", rows) for name, entry in table.items()}
            for where, table in (("first", known.first), ("second", known.second))
        ]
        shots = _server_first(shots, shared)
    else:
        shots = _repeated(headings, known, rows)
    played = _played(shots, rows)
    row = np.repeat(np.arange(rows), played)
    number = np.arange(len(row)) - np.repeat(np.cumsum(played) - played, played)
    last = number + 1 == played[row]
    found: dict[str, Cells] = {}
    for name, part in shared.items():
        cells = part.cells[row]
        if name in _ON_LAST:
            cells[~last] = ""
        elif name in _ON_FIRST:
            cells[number > 0] = ""
        found[name] = _cells(cells, part.label, part.entry)
    for name in dict.fromkeys(name for shot in shots for name in shot):
        found[name] = _together(name, [shot.get(name) for shot in shots], row, number)
    _add_numbers(found, known, number)
    _add_players(found, number)
    return row, found


def _part(headings: Headings, entry: Entry, where: str, rows: int) -> _Part:
    if entry.column is None:
        cells = np.full(rows, entry.always or "", dtype=object)
        return _Part(cells, f"{where.rpartition('.')[2]} (always)", entry)
    return _Part(headings.cells(entry.column, where), entry.column, entry)


def _cells(cells: Objects, label: str, entry: Entry, labels: Objects | None = None) -> Cells:
    column = RawColumn.of(pd.Series(cells, dtype=object))
    return Cells(column, label, entry.unit, entry.measured_from, labels)


def _together(name: str, parts: list[_Part | None], row: Ints, number: Ints) -> Cells:
    cells = np.full(len(row), "", dtype=object)
    labels = np.full(len(row), "", dtype=object)
    given = [part for part in parts if part is not None]
    kinds = {(part.entry.unit, part.entry.measured_from): part.label for part in given}
    if len(kinds) > 1:
        said = "; ".join(
            f"{label}: {', '.join(filter(None, kind)) or 'no unit'}"
            for kind, label in kinds.items()
        )
        raise LogError(
            f"the column map gives {name} in more than one way ({said}). It is one column of the "
            "log: convert those that differ, and give all the same unit and the same wall"
        )
    for at, part in enumerate(parts):
        if part is not None:
            here = number == at
            cells[here] = part.cells[row[here]]
            labels[here] = part.label
    names = list(dict.fromkeys(part.label for part in given))
    label = " / ".join(names) if len(names) <= 3 else f"{names[0]} ... {names[-1]}"
    return _cells(cells, label, given[0].entry, labels if len(names) > 1 else None)


def _played(shots: list[_Shot], rows: int) -> Ints:
    """Shots of each row: up to the last that shows something, at least one; shape (rows,)."""
    played = np.ones(rows, dtype=np.int64)
    for at, shot in enumerate(shots):
        for name, part in shot.items():
            if name not in _NO_SHOT and part.entry.always is None:
                filled = np.array([not is_blank(cell) for cell in part.cells], dtype=bool)
                played[filled] = at + 1
    return played


def _repeated(headings: Headings, known: ColumnMap, rows: int) -> list[_Shot]:
    shots: list[_Shot] = []
    empty = 0
    for number in range(1, _MOST_SHOTS + 1):
        shot: _Shot = {}
        for name, entry in known.every_shot.items():
            pattern = entry.column or ""
            if "{n}" not in pattern and "{nn}" not in pattern:
                raise LogError(
                    f"{known.name}: every_shot.{name} is {pattern or entry.always!r}. Put {{n}} "
                    "where the heading has the number of the shot, such as 'shot{n} stroke'."
                )
            heading = pattern.replace("{nn}", f"{number:02d}").replace("{n}", str(number))
            if headings.find(heading) is not None:
                cells = headings.cells(heading, f"every_shot.{name}")
                shot[name] = _Part(cells, heading, entry)
        empty = 0 if shot else empty + 1
        shots.append(shot)
        if empty > 20:
            break
    shots = shots[: len(shots) - empty]
    for name, entry in known.every_shot.items():
        if not any(name in shot for shot in shots):
            headings.column(str(entry.column).replace("{n}", "1"), f"every_shot.{name}")
    return shots


def _sequence(headings: Headings, known: SequenceCell) -> list[_Shot]:
    split = [
        [shot.strip() for shot in str(cell).split(known.between)]
        for cell in headings.cells(known.column, "sequence.column")
    ]
    for steps in split:
        while steps and not steps[-1]:
            steps.pop()
    most = max((len(steps) for steps in split), default=0)
    width = len(known.parts)
    units = {one: (known.unit or "m") if is_length(one) else None for one in known.parts}
    shots: list[_Shot] = []
    for at in range(max(most, 1)):
        cells = np.full((width, len(split)), "", dtype=object)
        for row, steps in enumerate(split):
            if at >= len(steps):
                continue
            found = [part.strip() for part in steps[at].split(known.within)]
            if len(found) > width:  # too many: left together, so that the row is refused
                found = [*found[: width - 1], " and ".join(found[width - 1 :])]
            for place, text in enumerate(found):
                cells[place, row] = text
        label = f"{known.column}, shot {at + 1}"
        shots.append(
            {
                name: _Part(cells[place], label, Entry("", units[name]))
                for place, name in enumerate(known.parts)
            }
        )
    return shots


def _server_first(shots: list[_Shot], shared: _Shot) -> list[_Shot]:
    """Put the server's shot first where columns belong to players and not to shots."""
    if "server" not in shared or not all("player" in shot for shot in shots):
        return shots
    server, second = shared["server"].cells, shots[1]["player"].cells
    swap = np.array([plain(a) == plain(b) for a, b in zip(server, second, strict=True)])
    names = [name for name in shots[0] if name in shots[1]]
    for name in {*shots[0], *shots[1]} - set(names):
        raise LogError(
            f"The map gives {name} for one of the two shots only; where the server decides which "
            "comes first, both need it."
        )
    return [
        {
            name: _Part(
                np.where(swap, mine[1][name].cells, mine[0][name].cells),
                f"{shots[0][name].label} / {shots[1][name].label}",
                mine[0][name].entry,
            )
            for name in names
        }
        for mine in (shots, shots[::-1])
    ]


def _add_numbers(found: dict[str, Cells], known: ColumnMap, number: Ints) -> None:
    if "shot" in found or known.columns.get("shot", Entry()).count:
        return
    if known.each_row_is != EXCHANGE:
        found["shot"] = Cells(RawColumn.of(pd.Series(number + 1)), "shot (counted)")
    elif "exchange" in found:
        column = found["exchange"].column
        cells = column.distinct[column.codes].copy()
        for at, cell in enumerate(cells):
            text = str(cell).strip()
            if text.isascii() and text.isdigit() and len(text) < 7:
                cells[at] = 2 * int(text) - 1 + int(number[at])
        found["shot"] = _cells(cells, found["exchange"].label, Entry(""))
    else:
        raise LogError(
            f"{known.name}: nothing says which shot of the rally an exchange holds. Give "
            "columns.exchange, or shot = { count = true } where the rows are in order."
        )


def _add_players(found: dict[str, Cells], number: Ints) -> None:
    """The server and the receiver strike in turn where nothing else says who."""
    if "player" in found or "server" not in found or "receiver" not in found:
        return
    sides = [found[name].column for name in ("server", "receiver")]
    cells = [side.distinct[side.codes] for side in sides]
    labels = [found[name].label for name in ("server", "receiver")]
    odd = number % 2 == 1
    found["player"] = _cells(
        np.where(odd, cells[1], cells[0]),
        " / ".join(labels),
        Entry(""),
        np.where(odd, labels[1], labels[0]).astype(object),
    )
