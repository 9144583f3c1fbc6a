"""A fitted ladder is kept between two commands, so that the second player's page is quick.

The file holds Python objects (pickle), so it is read only where this very user wrote it: it is
signed with a secret that stands beside it and that nobody else can read. A file with another
signature, of other shots, options or programs is not looked into. It holds the players' names,
as the log does, and does not leave the machine; the newest few are kept.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import pickle
import secrets
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.errors import WriteError
from sidewall.files import make_folder, write_file

if TYPE_CHECKING:
    from sidewall.report.ladder import FittedLadder

_MOST: Final = 4
_SIGNATURE: Final = 32


def usual_folder() -> Path:
    """The folder for what may be lost, as the system has it for this user."""
    from platformdirs import user_cache_path  # noqa: PLC0415 - only where something is kept

    return user_cache_path("sidewall", appauthor=False)


class Kept:
    """A ladder fitted to a log, in a folder; `options` are what else it hangs on."""

    def __init__(self, shots: pd.DataFrame, options: tuple[Any, ...], folder: Path) -> None:
        self.folder = folder
        self.file = folder / f"{_digest(shots, options)}.ladder"

    def read(self) -> FittedLadder | None:
        """The ladder, or None where there is none that can be trusted."""
        try:
            content, secret = self.file.read_bytes(), self._secret()
            body = content[_SIGNATURE:]
            if not hmac.compare_digest(hmac.digest(secret, body, "sha256"), content[:_SIGNATURE]):
                return None
            found: FittedLadder = pickle.loads(body)
        except (OSError, pickle.UnpicklingError, EOFError, AttributeError, ImportError):
            return None
        with suppress(OSError):
            os.utime(self.file)  # the newest are kept
        return found

    def write(self, ladder: FittedLadder) -> bool:
        """Keep a ladder; False where that cannot be done, which harms nothing."""
        try:
            body = pickle.dumps(ladder, pickle.HIGHEST_PROTOCOL)
            make_folder(self.folder)
            signed = hmac.digest(self._secret(), body, "sha256") + body
            write_file(self.file, signed, private=True)
        except (OSError, WriteError):
            return False
        others = sorted(self.folder.glob("*.ladder"), key=lambda path: path.stat().st_mtime)
        for old in others[:-_MOST]:
            with suppress(OSError):
                old.unlink()
        return True

    def _secret(self) -> bytes:
        path = self.folder / "secret"
        with suppress(FileExistsError):
            number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(number, "wb") as file:
                file.write(secrets.token_bytes(32))
        return path.read_bytes()


def _digest(shots: pd.DataFrame, options: tuple[Any, ...]) -> str:
    """Of the log's content, the options, the package's own code, and what it runs on."""
    found = hashlib.sha256()
    for name in shots.columns:
        column = shots[name]
        found.update(f"{name}\0{column.dtype!r}\0".encode())
        if isinstance(column.dtype, pd.CategoricalDtype):
            found.update("\0".join(map(str, column.cat.categories)).encode())
        found.update(pd.util.hash_pandas_object(column, index=False).to_numpy().tobytes())
    found.update(repr((sorted(map(str, shots.attrs.items())), options)).encode())
    found.update(_program())
    return found.hexdigest()


@cache
def _program() -> bytes:
    """The package's code, and the releases of what the objects are made of."""
    found = hashlib.sha256(f"{sys.version} {np.__version__} {pd.__version__}".encode())
    package = Path(__file__).parents[1]
    for path in sorted(package.rglob("*.py")):
        found.update(path.relative_to(package).as_posix().encode() + path.read_bytes())
    return found.digest()
