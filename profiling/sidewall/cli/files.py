"""Writing the files of a profile, and keeping the account of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.errors import DataError, SidewallError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Profile", "Writer", "make_folder"]

_DPI: Final = 150


@dataclass
class Profile:
    """What was written, and what could not be.

    Attributes
    ----------
    player : str
    folder : Path
    files : list of Path
        The first is the picture to open first.
    missing : list of str
        What is not there and why.
    """

    player: str
    folder: Path
    files: list[Path] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Say what was written, one line each."""
        lines = [f"Profile of {self.player} in {self.folder}:"]
        lines += [f"  {path.name}" for path in self.files]
        lines += [f"Not made: {why}" for why in self.missing]
        return [*lines, f"Open first: {self.files[0]}"]


class Writer:
    """Writes tables and pictures under names that start with the player's.

    Parameters
    ----------
    profile
        Keeps the account.
    stem
        Start of every file name.
    """

    def __init__(self, profile: Profile, stem: str) -> None:
        self.profile, self.stem = profile, stem

    def table(self, name: str, table: pd.DataFrame) -> None:
        """Write a table as CSV."""
        path = self.profile.folder / f"{self.stem}-{name}.csv"
        from sidewall.log.writing import safe_table  # noqa: PLC0415

        safe = safe_table(table)
        # With its mark, so that every spreadsheet takes it for UTF-8.
        _write(path, partial(safe.to_csv, path, index=False, encoding="utf-8-sig"))
        self.profile.files.append(path)

    def picture(self, name: str, draw: Callable[[], Any]) -> None:
        """Write a picture as PNG and SVG, or note why the data do not allow it."""
        from matplotlib import pyplot as plt  # noqa: PLC0415

        try:
            figure: Figure = np.asarray(draw(), dtype=object).ravel()[0].figure
        except DataError as error:
            self.profile.missing.append(f"{name.replace('-', ' ')}: {error}")
            return
        for suffix in ("png", "svg"):
            path = self.profile.folder / f"{self.stem}-{name}.{suffix}"
            # No date and no chance in the file: the same log gives the same picture.
            more: dict[str, Any] = {"metadata": {"Date": None}} if suffix == "svg" else {}
            with plt.rc_context({"svg.hashsalt": "sidewall"}):
                _write(path, partial(figure.savefig, path, dpi=_DPI, **more))
            self.profile.files.append(path)
        plt.close(figure)


def make_folder(folder: Path) -> None:
    """Make a folder if it is not there.

    Raises
    ------
    SidewallError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SidewallError(
            f"{folder}: no such folder can be made ({error.strerror}). Choose another with --out."
        ) from error


def _write(path: Path, write: Callable[[], Any]) -> None:
    try:
        write()
    except OSError as error:
        raise SidewallError(
            f"{path}: the file cannot be written ({error.strerror}). Close it elsewhere, or "
            "choose another folder with --out."
        ) from error
