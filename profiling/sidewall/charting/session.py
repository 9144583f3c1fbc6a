"""The events of a charting session: what was done, what was undone, the table it makes."""

from __future__ import annotations

from collections.abc import Iterable

from sidewall.charting.rows import Row, Setup
from sidewall.charting.table import Event, Table
from sidewall.errors import DataError

UNDO: Event = {"op": "undo"}
REDO: Event = {"op": "redo"}


class Session:
    """A match under charting, with undo as far back as its beginning.

    `rows` were there before and cannot be undone; `events` are played at once, such as those of a
    journal, undo and redo among them. A DataError if one does not fit.
    """

    def __init__(
        self, setup: Setup, rows: Iterable[Row] = (), events: Iterable[Event] = ()
    ) -> None:
        self._start = Table(setup, tuple(rows))
        self._done: list[Event] = []
        self._undone: list[Event] = []
        # Undone events are sorted out first, so that a journal is played only once.
        for event in events:
            self._note(event)
        self.table = self._play(self._done)

    @property
    def undos(self) -> int:
        """How many steps can be undone."""
        return len(self._done)

    def after(self, event: Event) -> Table:
        """Return the table that an event would make, without doing it.

        A DataError if it does not fit, or there is nothing to undo.
        """
        if event["op"] == "undo":
            self._need(self._done, "undo")
            return self._play(self._done[:-1])
        if event["op"] == "redo":
            self._need(self._undone, "do again")
            return self.table.after(self._undone[-1])
        return self.table.after(event)

    def do(self, event: Event) -> Table:
        """Do an event and return the table after it; errors as of `after` change nothing."""
        self.table = self.after(event)
        self._note(event)
        return self.table

    def _note(self, event: Event) -> None:
        if event.get("op") == "settings":
            self._start = self._start.after(event)  # below what undo can reach
        elif event.get("op") == "undo":
            self._need(self._done, "undo")
            self._undone.append(self._done.pop())
        elif event.get("op") == "redo":
            self._need(self._undone, "do again")
            self._done.append(self._undone.pop())
        else:
            self._done.append(event)
            self._undone.clear()

    def _play(self, events: list[Event]) -> Table:
        table = self._start
        for event in events:
            table = table.after(event)
        return table

    @staticmethod
    def _need(events: list[Event], what: str) -> None:
        if not events:
            raise DataError(f"There is nothing to {what}.")
