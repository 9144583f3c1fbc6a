"""A log in parts: whole matches in each, so that nothing that matters lies across two.

A fit asks for sums over the log. A :class:`Parts` gives the sum of every part, whether the
parts are one table in memory, files read one after another, or files read by other
machines, so that the same functions serve all three.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import pandas as pd

from sidewall.arguments import Table, as_frame
from sidewall.errors import DataError
from sidewall.features.shots import with_features


@runtime_checkable
class Parts(Protocol):
    """Shots in parts of whole matches."""

    @property
    def columns(self) -> list[str]:
        """Columns of the canonical table that every part has."""

    def each(self, function: Callable[[pd.DataFrame], Any]) -> Iterator[Any]:
        """Apply a function to the feature table of every part, and give what it gives, in order.

        It may be called in another process.
        """


@dataclass(frozen=True)
class OneTable:
    """A table in memory, as its only part."""

    table: pd.DataFrame

    @property
    def columns(self) -> list[str]:
        """Columns of the table."""
        return list(self.table.columns)

    def each(self, function: Callable[[pd.DataFrame], Any]) -> Iterator[Any]:
        """Apply a function to the table."""
        yield function(self.table)


def as_parts(shots: Table | Parts) -> Parts:
    """Take a table of shots or of features as parts; parts are returned as they are."""
    if isinstance(shots, Parts):
        return shots
    return OneTable(with_features(as_frame(shots)))


def one_table(parts: Parts, wish: str) -> pd.DataFrame:
    """The feature table, where there is only one; else a DataError: `wish` asked for its shots."""
    if isinstance(parts, OneTable):
        return parts.table
    raise DataError(
        f"{wish} needs the shots themselves, and a fit to a log in parts keeps only counts. "
        "Read the matches that you ask about as a table, and fit or ask with that"
    )
