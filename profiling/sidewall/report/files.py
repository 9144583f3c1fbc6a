"""Writing pages, and saying plainly why one cannot be written."""

from __future__ import annotations

from pathlib import Path

from sidewall.errors import SidewallError

__all__ = ["make_parent", "write_text"]


def make_parent(path: Path) -> None:
    """Make the folder of a file.

    Raises
    ------
    SidewallError
        If it cannot be made, or the file itself is a folder.
    """
    if path.is_dir():
        raise SidewallError(f"{path}: a page cannot be written over a folder; add a file name.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SidewallError(
            f"{path.parent}: no such folder can be made ({error.strerror}). Choose another with "
            "--out."
        ) from error


def write_text(path: Path, text: str) -> None:
    """Write a page as UTF-8.

    Raises
    ------
    SidewallError
        If the file cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise SidewallError(
            f"{path}: the page cannot be written ({error.strerror}). Close it elsewhere, or "
            "choose another file with --out."
        ) from error
