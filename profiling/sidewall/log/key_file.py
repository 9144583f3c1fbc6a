"""The key of a pseudonymised log: which code stands for whom, in a file of its own."""

from __future__ import annotations

import csv
import io
import os
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sidewall.errors import LogError, WriteError
from sidewall.files import write_file
from sidewall.log.cells import name_key, tidy_name
from sidewall.log.safe_text import with_text_mark

#: What is given a code: the word that the code begins with.
KINDS: Final = ("player", "match", "group")
_HEADINGS: Final = ["kind", "name", "code"]


@dataclass
class Key:
    """Codes by kind and folded name, and what was added since it was read.

    `names` are by code; `added` are kind, name and code of what is not in the file yet; dates are
    moved by `shift_days`, None until it is needed; `read` is the file as it was read.
    """

    file: Path
    codes: dict[tuple[str, str], str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    added: list[tuple[str, str, str]] = field(default_factory=list)
    shift_days: int | None = None
    read: bytes = b""

    def add(self, kind: str, names: list[str], chance: random.Random) -> None:
        """Give a code to every name that has none, in random order.

        A LogError if a name is itself a code of this key.
        """
        new = {name_key(name): tidy_name(name) for name in names}
        for key, name in new.items():
            if key in self.names and (kind, key) not in self.codes:
                raise LogError(
                    f"{name!r} is a code of this key already: the log was pseudonymised before."
                )
        fresh = [name for key, name in new.items() if (kind, key) not in self.codes]
        chance.shuffle(fresh)
        count = sum(known == kind for known, _ in self.codes)
        for number, name in enumerate(fresh, count + 1):
            self._keep(kind, name, f"{kind}-{number:02d}")
            self.added.append((kind, name, f"{kind}-{number:02d}"))

    def code(self, kind: str, name: str) -> str:
        """Return the code of a name."""
        return self.codes[kind, name_key(name)]

    def shift(self, chance: random.Random) -> int:
        """Days by which dates move: one to five years of whole weeks, the same every time."""
        if self.shift_days is None:
            self.shift_days = 7 * chance.randrange(52, 261) * chance.choice((-1, 1))
            self.added.append(("shift", "days", str(self.shift_days)))
        return self.shift_days

    def save(self) -> None:
        """Write what was there and what was added, for the owner's eyes only.

        A WriteError if the file cannot be written, or was changed since it was read.
        """
        lines = io.StringIO()
        writer = csv.writer(lines, lineterminator="\n")
        if not self.read:
            writer.writerow(_HEADINGS)
        writer.writerows([[with_text_mark(cell) for cell in row] for row in self.added])
        before = self.read if self.read[-1:] in (b"", b"\n") else self.read + b"\n"
        data = before + lines.getvalue().encode("utf-8")
        if self.read and self.file.read_bytes() != self.read:
            raise WriteError(
                f"{self.file}: the key was changed while names were given codes. Begin again."
            )
        write_file(self.file, data, overwrite=bool(self.read), private=True)
        self.read, self.added = data, []

    def _keep(self, kind: str, name: str, code: str) -> None:
        self.codes[kind, name_key(name)] = code
        self.names[code] = name


def read_key(path: str | os.PathLike[str], *, must_exist: bool = False) -> Key:
    """Read a key, or begin an empty one.

    A LogError if the file is there and is no key, or must be there and is not.
    """
    key = Key(Path(path))
    if not os.path.exists(key.file):
        if must_exist:
            raise LogError(f"{key.file}: there is no such key. Check the name and the folder.")
        return key
    try:
        key.read = key.file.read_bytes()
        rows = list(csv.reader(io.StringIO(key.read.decode("utf-8-sig"), newline="")))
    except (OSError, ValueError, csv.Error) as error:
        raise LogError(f"{key.file}: the key cannot be read. Is this the right file?") from error
    if not rows or rows[0] != _HEADINGS:
        raise LogError(
            f"{key.file}: this is no key; its first line is not {','.join(_HEADINGS)}. Nothing was "
            "written into it. Name another file."
        )
    for line, row in enumerate(rows[1:], 2):
        kind = row[0] if len(row) == 3 else ""
        whole = kind == "shift" and row[2].lstrip("-").isdigit()
        taken = len(row) == 3 and row[2] in key.names
        if not (whole or kind in KINDS) or taken:
            raise LogError(
                f"{key.file}: line {line} of the key is damaged or stands twice. Take the key from "
                "a copy; with a wrong one names would be mixed up."
            )
        if whole:
            key.shift_days = int(row[2])
        else:
            key._keep(kind, tidy_name(row[1]), row[2])
    return key
