"""Their headings: found as the map writes them, or but for case and spacing."""

from __future__ import annotations

import difflib

from sidewall.court.units import fold_name
from sidewall.errors import LogError
from sidewall.log.raw import Objects, RawColumn, RawLog, shown_list


class Headings:
    """Finds columns of a log by their heading, and keeps account of those used."""

    def __init__(self, raw: RawLog, map_name: str) -> None:
        self.raw, self.map_name = raw, map_name
        self.used: set[int] = set()

    def find(self, heading: str) -> int | None:
        """Place of a column, or None; a LogError if two columns have this heading."""
        texts = [text for text, _ in self.raw.columns]
        found = [at for at, text in enumerate(texts) if text == heading.strip()]
        if not found:
            wanted = fold_name(heading)
            found = [at for at, text in enumerate(texts) if wanted and fold_name(text) == wanted]
        if len(found) > 1:
            raise LogError(
                f"{self.raw.source}: two columns have the heading {heading!r}, and the map "
                f"{self.map_name} uses it. Rename one of them in the log."
            )
        return found[0] if found else None

    def column(self, heading: str, where: str) -> RawColumn:
        """Return a column, which is used from then on; a LogError if there is not just one."""
        place = self.find(heading)
        if place is None:
            texts = [text for text, _ in self.raw.columns]
            close = difflib.get_close_matches(heading, texts, n=1)
            hint = f"Did you mean {close[0]!r}? " if close else ""
            raise LogError(
                f"{self.map_name}: {where} is {heading!r}, and {self.raw.source} has no such "
                f"heading. {hint}Its headings are: {shown_list(texts)}."
            )
        self.used.add(place)
        return self.raw.columns[place][1]

    def cells(self, heading: str, where: str) -> Objects:
        """Cells of a column, shape (rows,)."""
        column = self.column(heading, where)
        return column.distinct[column.codes]

    def note_unused(self) -> None:
        """List the columns that the map does not name."""
        for place, (text, column) in enumerate(self.raw.columns):
            if place not in self.used:
                filled = int((~column.blank).sum())
                name = text or f"(column {place + 1})"
                self.raw.folded.add(
                    name, "(column)", "not used: the map does not name it", max(filled, 1)
                )
