"""The files of a profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.errors import DataError
from sidewall.files import write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DPI: Final = 150


@dataclass
class Profile:
    """What was written, the picture to open first before all, and what is missing and why."""

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
    """Writes tables and pictures, named after a stem, and keeps the account in a profile."""

    def __init__(self, profile: Profile, stem: str) -> None:
        self.profile, self.stem = profile, stem

    def table(self, name: str, table: pd.DataFrame) -> None:
        """Write a table as CSV."""
        from sidewall.log.writing import csv_bytes  # noqa: PLC0415

        path = self.profile.folder / f"{self.stem}-{name}.csv"
        self.profile.files.append(write_file(path, csv_bytes(table)))

    def picture(self, name: str, draw: Callable[[], Any]) -> None:
        """Write a picture as PNG and SVG, or note why the data do not allow it."""
        from matplotlib import pyplot as plt  # noqa: PLC0415

        from sidewall.plots.frame import lay_out  # noqa: PLC0415

        try:
            figure: Figure = np.asarray(draw(), dtype=object).ravel()[0].figure
        except DataError as error:
            self.profile.missing.append(f"{name.replace('-', ' ')}: {error}")
            return
        lay_out(figure)
        for suffix in ("png", "svg"):
            path = self.profile.folder / f"{self.stem}-{name}.{suffix}"
            # No date and no chance in the file: the same log gives the same picture.
            more: dict[str, Any] = {"metadata": {"Date": None}} if suffix == "svg" else {}
            data = BytesIO()
            with plt.rc_context({"svg.hashsalt": "sidewall"}):
                figure.savefig(data, format=suffix, dpi=_DPI, **more)
            self.profile.files.append(write_file(path, data.getvalue()))
        plt.close(figure)
