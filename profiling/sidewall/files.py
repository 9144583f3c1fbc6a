"""Files that are written whole or not at all, and the account of what was written."""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sidewall.errors import WriteError

_ROOM: Final = "Make room on it, or choose a folder on another disk."
#: Why the system refused, in plain words, and the mend.
_CAUSES: Final = {
    errno.ENOSPC: ("the disk is full", _ROOM),
    errno.EDQUOT: ("your share of the disk is used up", _ROOM),
    errno.EFBIG: ("so large a file does not fit there", _ROOM),
    errno.EROFS: ("the disk can only be read", "Choose a folder on another disk."),
    errno.EEXIST: ("a file of that name exists", "Choose another name."),
    errno.ENOENT: ("there is no such folder", "Make it, or choose another."),
    errno.ENOTDIR: ("a part of its path is no folder", "Choose another folder."),
    errno.EISDIR: ("this is a folder", "Add a file name."),
    errno.ENAMETOOLONG: (
        "its name or path is too long",
        "Choose a shorter one; most disks take names of up to 255 bytes.",
    ),
} | dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EBUSY),
    (
        "you may not write there, or another program holds it",
        "Close it elsewhere, or choose a folder that you may write to.",
    ),
)


@dataclass
class Account:
    """What was to be written, as far as it was told before, and what was, in order of writing."""

    planned: list[Path] = field(default_factory=list)
    written: list[Path] = field(default_factory=list)

    @property
    def left(self) -> list[Path]:
        """What was planned and is not written."""
        return [path for path in self.planned if path not in self.written]


_ACCOUNTS: list[Account] = []


@contextmanager
def account() -> Iterator[Account]:
    """Keep an account of the files that are written until the block ends."""
    own = Account()
    _ACCOUNTS.append(own)
    try:
        yield own
    finally:
        _ACCOUNTS.remove(own)


def plan_files(paths: Iterable[Path], *, overwrite: bool = True) -> None:
    """Say what is going to be written, before the work that leads to it.

    A WriteError if one of them could not be written, as far as can be seen now.
    """
    for path in paths:
        try:
            _look(os.path.realpath(path), overwrite)
        except (OSError, ValueError) as error:
            raise cannot_write(path, error) from error
        for one in _ACCOUNTS:
            one.planned += [] if path in one.planned else [path]


def note_written(paths: list[Path]) -> None:
    """Tell the open accounts what was written, here or by another process."""
    for one in _ACCOUNTS:
        one.written += [path for path in paths if path not in one.written]


def write_file(
    path: str | os.PathLike[str],
    data: bytes | str,
    *,
    overwrite: bool = True,
    private: bool = False,
) -> Path:
    """Write a file whole or not at all, text as UTF-8; a WriteError gives the cause and the mend.

    The data go to a file of another name in the same folder, which must be there, onto the disk,
    and then in the place of the file in one step. Whatever goes wrong before, the file is as it
    was. A pipe or a device is written to as it is. A `private` file only its owner may read.
    """
    file = Path(path)
    content = data.encode("utf-8") if isinstance(data, str) else data
    try:
        place = os.path.realpath(file)  # a link stays a link
        there = _look(place, overwrite)
        if there is not None and not stat.S_ISREG(there.st_mode):
            with open(place, "wb") as stream:
                stream.write(content)
            note_written([file])
        else:
            _replace(file, place, content, there, private)
    except (OSError, ValueError) as error:  # a ValueError for a path that none can have
        raise cannot_write(file, error) from error
    sync_folder(os.path.dirname(place))
    return file


def _look(place: str, overwrite: bool) -> os.stat_result | None:
    """Look at what is there, if anything, and refuse what must not be replaced."""
    try:
        there = os.stat(place)
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(there.st_mode):
        raise IsADirectoryError(errno.EISDIR, "a folder")
    if not overwrite:
        raise FileExistsError(errno.EEXIST, "the file exists")
    if not os.access(place, os.W_OK):
        raise PermissionError(errno.EACCES, "the file is protected")
    return there


def _replace(
    file: Path, place: str, content: bytes, there: os.stat_result | None, private: bool
) -> None:
    """Write beside the place, move there in one step, and note it, wherever Ctrl-C comes."""
    # A short name: the file's own may be as long as the disk takes.
    beside = os.path.join(os.path.dirname(place), f".sidewall-{secrets.token_hex(6)}")
    mode = 0o600 if private else 0o666
    whole = False
    try:
        with open(beside, "xb", opener=lambda name, flags: os.open(name, flags, mode)) as stream:
            if there is not None and not private:
                os.chmod(beside, stat.S_IMODE(there.st_mode))
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        whole = True
        os.replace(beside, place)
        note_written([file])
    except BaseException:  # whatever it is, nothing half-written stays
        if whole and not os.path.lexists(beside):  # it had been moved, so the file is there
            note_written([file])
        with suppress(OSError):
            os.unlink(beside)
        raise


def sync_folder(folder: str | os.PathLike[str]) -> None:
    """Put a folder's list of files on the disk, where the system allows it."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder, and those above it, if it is not there; else a WriteError."""
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise cannot_write(folder, error, "no such folder can be made") from error
    return folder


def cannot_write(
    path: Path, error: OSError | ValueError, what: str = "the file cannot be written"
) -> WriteError:
    """Say why something cannot be written, and the mend."""
    number = error.errno if isinstance(error, OSError) else None
    cause = error.strerror or str(error) if isinstance(error, OSError) else str(error)
    why, mend = _CAUSES.get(number or 0, (cause, "Choose another name or folder."))
    return WriteError(f"{path}: {what}: {why}. {mend}")
