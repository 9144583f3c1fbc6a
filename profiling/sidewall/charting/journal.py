"""An append-only file of entries, one JSON object a line, that a crash cannot harm.

An entry is on the disk before `Journal.append` returns. A crash can leave at most one
unfinished line at the end; it is cut off when the file is opened again.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

from sidewall.errors import LogError
from sidewall.files import cannot_write, sync_folder, write_file


class Journal:
    """A journal open for more entries.

    Parameters
    ----------
    path
        The file; made with the first entry if it is not there.

    Raises
    ------
    LogError
        If a line before the last cannot be understood.
    WriteError
        If the file cannot be opened, or an unfinished last line not be cut off.
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
        """Write an entry and wait until it is on the disk.

        Raises
        ------
        LogError
            If another session has written to the file; nothing is added then.
        WriteError
            If it cannot be written; nothing is added then.
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
    """Read the bytes of a journal.

    Parameters
    ----------
    data
        The file.
    source
        Its name, for messages.

    Returns
    -------
    entries : list of dict
        Every complete entry.
    good : bytes
        The file without an unfinished last line.

    Raises
    ------
    LogError
        If a line before the last cannot be understood.
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
