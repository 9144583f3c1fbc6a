"""Columns as integer codes, the form in which whole logs are compared quickly."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Ints
from sidewall.errors import DataError
from sidewall.log.columns import SPECS

#: Columns that read_shots fills in where a log does without them.
_ALWAYS_READ: Final = ("opponent", "choice", "rally_won_by")


def need_columns(shots: pd.DataFrame, columns: Sequence[str]) -> None:
    """Raise a DataError that names the columns that a shot table lacks, and what gives them."""
    missing = [name for name in columns if name not in shots.columns]
    if not missing:
        return
    by_heading = {name: SPECS.get(re.sub("_(m|s)$", "", name)) for name in missing}
    chart = [
        f"{spec.name} ({spec.meaning})"
        for spec in by_heading.values()
        if spec is not None and not spec.required and spec.name not in _ALWAYS_READ
    ]
    mends = [f"Chart {' and '.join(chart)}, which a log need not have."] if chart else []
    if len(chart) < len(missing):
        mends.append("Read the log with read_shots, which gives every column that is needed.")
    raise DataError(f"The shot table has no column {', '.join(missing)}. {' '.join(mends)}")


def struck_by(table: pd.DataFrame, player: str) -> Bools:
    """Whether each row is this player's, shape (n,)."""
    return (table["player"].astype(str) == player).to_numpy()


def kept_and_left_out(reasons: Mapping[str, Bools]) -> tuple[Bools, pd.Series]:
    """Rows that no reason leaves out, and how many each does; a row counts under its first."""
    first = np.select(list(reasons.values()), range(1, len(reasons) + 1), 0)
    counts = np.bincount(first, minlength=len(reasons) + 1)[1:]
    left_out = pd.Series(counts, list(reasons), name="shots")
    return first == 0, left_out[left_out > 0]


def codes_of(column: pd.Series, categories: Sequence[str]) -> Ints:
    """Position of each value within ``categories``, shape (n,); -1 where the value is missing.

    A DataError if the column holds a value outside them.
    """
    wanted = list(categories)
    if isinstance(column.dtype, pd.CategoricalDtype) and list(column.cat.categories) == wanted:
        return np.asarray(column.cat.codes, dtype=np.int64)
    # A few distinct values stand for a million rows: look each up once.
    codes, found = pd.factorize(column)
    place = {value: i for i, value in enumerate(wanted)}
    strange = [value for value in found if value not in place]
    if strange:
        raise DataError(
            f"Column {column.name} holds {strange[0]!r}, which is not one of "
            f"{', '.join(map(str, wanted))}. Correct it in the log and read it again."
        )
    lookup = np.array([place[value] for value in found] + [-1], dtype=np.int64)
    return np.asarray(lookup[codes], dtype=np.int64)


def as_category(codes: Ints, categories: Sequence[str]) -> pd.Categorical:
    """Turn codes back into values; -1 becomes missing."""
    values: Any = pd.Categorical.from_codes(codes, categories=pd.Index(list(categories)))
    return values


def positions(column: pd.Series, names: pd.Index) -> Ints:
    """Position of each value, as a string, within `names`; -1 where it is not among them."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        of_category = names.get_indexer(pd.Index(column.cat.categories.astype(str)))
        return np.append(of_category, -1)[column.cat.codes].astype(np.int64)
    return names.get_indexer(pd.Index(column.astype(str))).astype(np.int64)


def names_and_codes(column: pd.Series) -> tuple[pd.Index, Ints]:
    """Values that occur, as strings in order, and the position of each row's among them."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        met = np.unique(column.cat.codes)
        names = pd.Index(column.cat.categories.astype(str))[met[met >= 0]].sort_values()
    else:
        names = pd.Index(column.dropna().astype(str).unique()).sort_values()
    return names, positions(column, names)
