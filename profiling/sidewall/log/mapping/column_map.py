"""What a map of columns says: where each of our columns comes from in their log."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from sidewall.court.units import fold_name

#: What a row of their log may be.
SHOT, EXCHANGE, RALLY = FORMS = ("a shot", "an exchange", "a rally")
#: Names that a map may use besides our columns, where a row holds several shots.
ROW_NAMES: Final = {
    "server": "who strikes the first shot of the row",
    "receiver": "who strikes the second",
    "exchange": "number of the exchange in the rally, from 1",
}
#: Where coordinates may be measured from; ours are from the left and from the front wall.
ORIGINS: Final = {
    "x": ("left wall", "right wall", "middle"),
    "y": ("front wall", "back wall"),
}


def plain(cell: Any) -> str:
    """A cell as it is compared: without case and doubled spaces."""
    return " ".join(str(cell).split()).casefold()


@dataclass(frozen=True)
class Entry:
    """Where one of our columns comes from.

    `column` is their heading; where a row is a rally, ``{n}`` in it is the number of the shot. In
    its place stand `always`, the value of every row, or `count`, whether rows are counted. A
    length has the `unit` that its heading carries by default, a place also ``px``.
    `measured_from` is for a coordinate, `taken_from` for the gap: ``x``, the place of contact.
    """

    column: str | None = None
    unit: str | None = None
    always: str | None = None
    count: bool = False
    measured_from: str | None = None
    taken_from: str | None = None


@dataclass(frozen=True)
class SequenceCell:
    """A cell that holds the shots of a rally one after the other.

    What stands `between` two shots, and `within` one between its `parts`: our columns, in order;
    those at the end may be left out. `unit` is that of the gap, if it is one of them.
    """

    column: str
    between: str = ";"
    parts: tuple[str, ...] = ("stroke", "gap")
    within: str = ","
    unit: str | None = None


@dataclass(frozen=True)
class ColumnMap:
    r"""Says which of a log's columns is which.

    Parameters
    ----------
    columns
        For each of our columns where it comes from; the same for all shots of a row.
    each_row_is
        ``a shot``, ``an exchange`` (a shot of each player) or ``a rally``.
    first, second
        Where a row is an exchange: columns of its two shots.
    every_shot
        Where a row is a rally: columns that repeat for every shot, with ``{n}`` in the heading.
    sequence
        Where a row is a rally: the cell that holds all its shots.
    words
        For each of our columns, what their words stand for; the empty word is a blank cell.
    names
        For each code of a player, the heading that names the player, or names by match.
    score
        ``points`` or ``games``: the heading of the score before the rally by player, two.
    pixels
        Four known points of the floor, with their pixels from the left and from the top.
    rules
        Pairs: their cells by heading (or our column), and our words by our column.
    file_name
        Pattern of the file's name, such as ``{match} game {game}``.
    name
        Name of the map for messages.

    See Also
    --------
    guess_map
    map_log

    Examples
    --------
    >>> theirs = sw.ColumnMap.from_text('[columns]\nplayer = "Who"\nshot = "No."', "theirs")
    >>> theirs.missing(["Who", "Rally"])
    ['No.']
    """

    columns: Mapping[str, Entry]
    each_row_is: str = SHOT
    first: Mapping[str, Entry] = field(default_factory=dict)
    second: Mapping[str, Entry] = field(default_factory=dict)
    every_shot: Mapping[str, Entry] = field(default_factory=dict)
    sequence: SequenceCell | None = None
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    names: Mapping[str, str | Mapping[str, str]] = field(default_factory=dict)
    score: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    pixels: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    rules: tuple[tuple[Mapping[str, tuple[str, ...]], Mapping[str, str]], ...] = ()
    file_name: str = ""
    name: str = "the map"

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> ColumnMap:
        """Read a map from a TOML file.

        Parameters
        ----------
        path : path
            The file.

        Raises
        ------
        LogError
            If it cannot be read, or says something that no map can say.
        UnitError
            If a length is given without its unit.
        """
        from sidewall.log.mapping.toml_file import read_file  # noqa: PLC0415

        return read_file(path)

    def missing(self, headings: list[str]) -> list[str]:
        """Headings that the map names and that are not among those given.

        Parameters
        ----------
        headings : sequence of str
            Of a log.
        """
        entries = [
            entry
            for table in (self.columns, self.first, self.second, self.every_shot)
            for entry in table.values()
        ]
        named = [entry.column.replace("{n}", "1") for entry in entries if entry.column is not None]
        named += [] if self.sequence is None else [self.sequence.column]
        found = {fold_name(text) for text in headings} | set(headings)
        return [text for text in dict.fromkeys(named) if not {text, fold_name(text)} & found]

    @classmethod
    def from_text(cls, text: str, name: str = "the map") -> ColumnMap:
        """Read a map from TOML text; raises as :meth:`read`.

        Parameters
        ----------
        text : str
            The map.
        name : str
            Name of the map for messages.
        """
        from sidewall.log.mapping.toml_file import read_text  # noqa: PLC0415

        return read_text(text, name)
