"""A charting session on the disk: the journal, and the log that is written from it.

Beside the log ``match.csv`` lies its journal ``match.csv.journal``. Every event is in the
journal, on the disk, before it counts; then the log is replaced as a whole. So a crash at any
moment leaves every event that was done, and a log that is whole. At most
one unfinished line is left at the journal's end; it is cut off when the file is opened again.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from sidewall.charting.adopt import adopt_log
from sidewall.charting.rows import Row, Setup, log_bytes
from sidewall.charting.session import Session
from sidewall.charting.table import Event, Table, checked_row
from sidewall.errors import DataError, LogError, WriteError
from sidewall.files import cannot_write, sync_folder, write_file
from sidewall.log.cells import tidy_name


class Journal:
    """A journal open for more entries; its file is made with the first if it is not there.

    A LogError if a line before the last cannot be understood, a WriteError if the file cannot be
    opened, or an unfinished last line not be cut off.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            data = path.read_bytes() if path.exists() else b""
        except OSError as error:
            raise cannot_write(path, error, "the journal cannot be opened") from error
        self.entries, good = read_entries(data, str(path))
        self._size = len(data)
        if data != good:
            write_file(path, good)
            self._size = len(good)

    def append(self, entry: dict[str, Any]) -> None:
        """Write an entry and wait until it is on the disk; where that fails nothing is added.

        A LogError if another session has written to the file, a WriteError if it cannot be written.
        """
        line = json.dumps(entry, ensure_ascii=True, allow_nan=False).encode("ascii") + b"\n"
        new = not self.path.exists()
        if self._size != (0 if new else self.path.stat().st_size):
            raise LogError(
                f"{self.path}: another session has written to this file, so this one is behind. "
                "Run the cell again to go on from what is there."
            )
        try:
            with self.path.open("ab") as stream:
                stream.write(line)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            with suppress(OSError):  # a full disk may hold half the line
                os.truncate(self.path, self._size)
            raise cannot_write(self.path, error) from error
        if new:
            sync_folder(self.path.parent)
        self._size += len(line)
        self.entries.append(entry)


def read_entries(data: bytes, source: str) -> tuple[list[dict[str, Any]], bytes]:
    """Read a journal: every complete entry, and the bytes without an unfinished last line.

    A LogError, which names the `source`, if a line before the last cannot be understood.
    """
    lines = data.split(b"\n")
    last = max((at for at, line in enumerate(lines) if line.strip(b" \r\0")), default=-1)
    entries, good = [], []
    for at, line in enumerate(lines[: last + 1]):
        entry = _entry(line)
        if entry is None:
            if at == last:
                break  # cut short by a crash
            raise LogError(
                f"{source}: line {at + 1} cannot be understood. The file is damaged: keep a copy "
                "of it, then delete this line, or put the file aside to go on from the log."
            )
        entries.append(entry)
        good.append(line + b"\n")
    return entries, b"".join(good)


def _entry(line: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):  # also bytes that are no text
        return None
    return found if isinstance(found, dict) else None


_FORM: Final = 1


class Store:
    """Opens a log for charting, a ``.csv`` file, new or half done, and keeps it.

    `wanted` is the match as the caller describes it, keys of `Setup`. What is missing is taken
    from the file. A LogError if that cannot be used or belongs to another match, a DataError if
    the match is not described well enough for a new file: its names may not be missing.
    """

    def __init__(self, path: str | os.PathLike[str], wanted: dict[str, Any]) -> None:
        self.path = Path(path)
        if self.path.suffix.lower() != ".csv":
            raise LogError(f"{self.path}: charting writes a log that ends in .csv.")
        if not os.path.isdir(self.path.absolute().parent):
            raise LogError(f"{self.path}: there is no such folder. Make it, or choose another.")
        #: What went wrong with the log while the journal is safe; blank if nothing did.
        self.log_trouble = ""
        self._journal = Journal(self.path.with_name(self.path.name + ".journal"))
        rows: list[Row] = []
        if self._journal.entries:
            setup, rows = self._opened(self._journal.entries[0])
            self._compare(setup, wanted)
        else:
            setup, rows = self._begun(wanted)
        with self._journal_named():
            self.session = Session(setup, rows, self._journal.entries[1:])
        self._refuse_changed(setup, rows)
        # The log first: without a journal it would be taken over again just the same.
        self._write_log()
        if not self._journal.entries:
            self._journal.append({"op": "open", "form": _FORM, **asdict(setup), "rows": rows})

    def do(self, event: Event) -> Table:
        """Do an event and keep it.

        A DataError if it does not fit. It is not done either if another session has written to the
        journal (LogError), or it cannot be written (WriteError).
        """
        self.session.after(event)
        self._journal.append(event)
        table = self.session.do(event)
        self._write_log()
        return table

    def _write_log(self) -> None:
        table = self.session.table
        try:
            write_file(self.path, log_bytes(table.setup, table.rows))
            self.log_trouble = ""
        except WriteError as error:
            self.log_trouble = (
                f"{error} Nothing is lost, the journal has it, and it is tried again with the next "
                "shot."
            )

    def _begun(self, wanted: dict[str, Any]) -> tuple[Setup, list[Row]]:
        found = adopt_log(self.path) if self.path.exists() and self.path.stat().st_size else None
        if found is not None:
            self._compare(found[0], wanted)
            return found
        missing = [name for name in ("match", "players") if wanted.get(name) is None]
        if missing:
            raise DataError(
                f"{self.path.name} is a new log: give {' and '.join(missing)}, such as "
                'match="Rowan v Hazel", players=("Rowan", "Hazel").'
            )
        given = {name: value for name, value in wanted.items() if value is not None}
        given["players"] = tuple(given["players"])
        given = {name: _tidy(value) for name, value in given.items()}
        return Setup(**{"server": given["players"][0], **given}), []

    def _opened(self, head: dict[str, Any]) -> tuple[Setup, list[Row]]:
        if head.get("op") != "open" or head.get("form") != _FORM:
            raise LogError(
                f"{self._journal.path}: this is no journal of charting, or one of a newer version. "
                "Choose another file, or update sidewall."
            )
        players: Any = head.get("players")
        hands: Any = head.get("hands")
        rows = head.get("rows")
        texts = [head.get(name) for name in ("match", "server", "scoring")]
        texts += (
            [*players, *hands] if isinstance(players, list) and isinstance(hands, dict) else [0]
        )
        with self._journal_named():
            if not all(isinstance(text, str) for text in texts) or not isinstance(rows, list):
                raise DataError("the first line does not hold the match, its players and its rows.")
            setup = Setup(head["match"], tuple(players), head["server"], head["scoring"], hands)
            return setup, [checked_row(setup, row) for row in rows]

    @contextmanager
    def _journal_named(self) -> Iterator[None]:
        """Say of what does not fit in which file it stands, and how to go on."""
        try:
            yield
        except DataError as error:
            raise LogError(
                f"{self._journal.path}: the journal is damaged: {error} Take it from a copy, or "
                "put it aside to go on from the log."
            ) from error

    def _compare(self, setup: Setup, wanted: dict[str, Any]) -> None:
        for name, given in wanted.items():
            value = _tidy(tuple(given) if name == "players" and given else given)
            there = getattr(setup, name)
            same = set(value) == set(there) if name == "players" and value else value == there
            if value is not None and not same:
                raise LogError(
                    f"{self.path.name} was begun with {name} {there!r}, not {value!r}. Leave "
                    f"{name} out to go on with it, or choose another file."
                )

    def _refuse_changed(self, setup: Setup, rows: list[Row]) -> None:
        """Never write over a log that someone else has changed since."""
        if not self._journal.entries or not self.path.exists():
            return
        found = self.path.read_bytes()
        if not self._was_once(found, setup, rows):
            raise LogError(
                f"{self.path.name} was changed outside charting. To go on from it as it is now, "
                f"put {self._journal.path.name} aside. To go on from what was charted, put "
                f"{self.path.name} aside."
            )

    def _was_once(self, found: bytes, setup: Setup, rows: list[Row]) -> bool:
        """Whether the log is what charting wrote, now or earlier.

        A crash leaves it one event behind, a log that was open elsewhere leaves it further.
        """
        if found == log_bytes(setup, self.session.table.rows):
            return True
        length = found.count(b"\n") - 1
        session = Session(setup, rows)
        tables = [session.table, *(session.do(event) for event in self._journal.entries[1:])]
        return any(
            len(table.rows) == length and log_bytes(setup, table.rows) == found
            for table in reversed(tables)
        )


def _tidy(value: Any) -> Any:
    """Names as the reader will have them."""
    if isinstance(value, str):
        return tidy_name(value)
    if isinstance(value, Mapping):
        return {_tidy(name): word for name, word in value.items()}
    return tuple(_tidy(one) for one in value) if isinstance(value, tuple) else value
