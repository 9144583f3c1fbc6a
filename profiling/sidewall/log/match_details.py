"""The sheet of match details of a workbook, as the tables of players and of matches."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sidewall.arguments import Ints
from sidewall.errors import LogError
from sidewall.log.cells import ALWAYS_NAMED, is_blank
from sidewall.log.columns import understand
from sidewall.log.raw import RawColumn, RawLog
from sidewall.log.sheet_formulas import DETAIL_COLUMNS

_OF_PLAYER = ("player_1", "player_2", "hand_1", "hand_2", "serves_first", "in_full")


def detail_tables(sheet: RawLog) -> tuple[RawLog | None, RawLog | None]:
    """Return the players' hands and the matches' details that a sheet holds, a row a match.

    Headings are as in the template, lengths in any unit their heading names. None where nothing
    is given. A LogError if it has no column ``match``.
    """
    columns = {
        text.strip().casefold(): column.cells(np.arange(len(sheet.lines)))
        for text, column in sheet.columns
    }
    if "match" not in columns:
        raise LogError(
            f"{sheet.source} has no column 'match'. Give it the headings of the template "
            f"({', '.join(DETAIL_COLUMNS)}), or rename the sheet if it is something else."
        )

    def part(texts: dict[str, str], lines: Ints) -> RawLog:
        """Rows of some columns under other headings."""
        cells = {ours: pd.Series(columns[theirs], dtype=object) for ours, theirs in texts.items()}
        named = [ours in ALWAYS_NAMED for ours in cells]
        given = np.column_stack(
            [
                [not is_blank(cell, name=n) for cell in one]
                for one, n in zip(cells.values(), named, strict=True)
            ]
        ).astype(bool)
        kept = np.flatnonzero(given.all(axis=1) if "player" in texts else given[:, 0])
        return RawLog(
            [(ours, RawColumn.of(one.iloc[kept])) for ours, one in cells.items()],
            lines[kept],
            sheet.source,
        )

    hands = [
        part({"player": f"player_{number}", "hand": f"hand_{number}"}, sheet.lines)
        for number in ("1", "2")
        if f"player_{number}" in columns and f"hand_{number}" in columns
    ]
    players = _below(hands) if hands else None
    known = {
        text: text for text in columns if text not in _OF_PLAYER and understand(text) is not None
    }
    known = {"match": known.pop("match"), **known}
    matches = part(known, sheet.lines) if len(known) > 1 else None
    return players, matches if matches is None or len(matches.lines) else None


def _below(parts: list[RawLog]) -> RawLog | None:
    """Put logs of the same columns below one another; None if they have no rows."""
    lines = np.concatenate([one.lines for one in parts])
    columns = [
        (text, RawColumn.below([one.columns[place][1] for one in parts]))
        for place, (text, _) in enumerate(parts[0].columns)
    ]
    return RawLog(columns, lines, parts[0].source) if len(lines) else None
