"""Write a log as Parquet files of whole matches."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import check_count
from sidewall.errors import DataError, LogError, WriteError
from sidewall.features.coded import names_and_codes, need_columns
from sidewall.features.rallies import rally_runs
from sidewall.files import make_folder, write_file
from sidewall.scale.schema import NEEDED, kinds_of_columns, to_arrow

#: Key of the note in each file's own metadata: its number, the shots before it, whether it
#: is the last. With these a missing file is found without a list of files beside them.
NOTE: Final = b"sidewall.part"


def write_partitions(
    log: pd.DataFrame | Iterable[pd.DataFrame],
    folder: str | Path,
    shots_per_part: int = 200_000,
) -> list[Path]:
    """Write canonical shot tables as Parquet files, each of whole matches.

    Parameters
    ----------
    log : DataFrame or iterable of DataFrame
        What :func:`sidewall.read_shots` gives; several tables, such as one a season, are
        taken one after another, so that a long log need never be in memory. A match must
        lie in one table, and all tables must have the same columns.
    folder : str or Path
        Made if it is not there; must hold no Parquet files.
    shots_per_part : int, default 200,000
        A file is closed after the match that reaches so many.

    Returns
    -------
    list of Path
        The files, ``part-00000.parquet`` and so on.

    Raises
    ------
    DataError
        When a rally is not whole, a match lies in two tables, or columns differ.
    LogError
        When there are no shots.
    WriteError
        When the folder holds Parquet files already, or a file cannot be written. No part
        stays behind then.
    """
    check_count(shots_per_part, "shots_per_part", 1)
    home = Path(folder)
    if shots_per_part < 1:
        raise DataError(f"shots_per_part is {shots_per_part}; it must be at least 1")
    make_folder(home)
    if any(home.glob("*.parquet")):
        raise WriteError(f"{home} holds Parquet files already; name a new folder or empty this one")
    tables = [log] if isinstance(log, pd.DataFrame) else log
    paths: list[Path] = []
    try:
        _write_all(_cut(_checked(tables), shots_per_part), home, paths)
    except BaseException:  # the parts are one log: all of it, or nothing
        for path in paths:
            path.unlink(missing_ok=True)
        raise
    return paths


def _write_all(parts: Iterator[pd.DataFrame], home: Path, paths: list[Path]) -> None:
    """Write the parts, and list each before it is begun."""
    before, waiting = 0, None
    for part in parts:
        # written one behind, since the last file says that it is the last
        if waiting is not None:
            _write(waiting, home, paths, before, last=False)
            before += len(waiting)
        waiting = part
    if waiting is None:
        raise LogError("there are no shots to write")
    _write(waiting, home, paths, before, last=True)


def _checked(tables: Iterable[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Tables with the same columns, whole rallies, and no match of an earlier table."""
    kinds: dict[str, str] | None = None
    seen: set[str] = set()
    for number, table in enumerate(tables, start=1):
        if len(table) == 0:
            continue
        need_columns(table, NEEDED)
        rally_runs(table)
        here = kinds_of_columns(to_arrow(table.head(1)).schema)
        if kinds is not None and here != kinds:
            odd = sorted(set(here.items()) ^ set(kinds.items()))
            raise DataError(
                f"table {number} has other columns than the first: {odd[0][0]} ({odd[0][1]}); "
                "give all tables the same columns"
            )
        kinds = here
        names = set(names_and_codes(table["match"])[0])
        if names & seen:
            raise DataError(
                f"match {min(names & seen)!r} lies in table {number} and in an earlier one; "
                "give every match a name of its own, and keep it in one table"
            )
        seen |= names
        yield table


def _cut(tables: Iterable[pd.DataFrame], size: int) -> Iterator[pd.DataFrame]:
    """Cut and join tables between matches."""
    kept: list[pd.DataFrame] = []
    for table in tables:
        match = pd.factorize(table["match"])[0]
        ends = np.append(np.flatnonzero(np.diff(match) != 0) + 1, len(table))
        start, room = 0, size - sum(map(len, kept))
        for end in ends:
            if end - start >= room:
                yield _joined([*kept, table.iloc[start:end]])
                kept, start, room = [], end, size
        if start < len(table):
            kept.append(table.iloc[start:])
    if kept:
        yield _joined(kept)


def _joined(tables: list[pd.DataFrame]) -> pd.DataFrame:
    if len(tables) == 1:
        return tables[0]
    columns: dict[str, Any] = {}
    for name in tables[0].columns:
        some = [table[name] for table in tables]
        if isinstance(some[0].dtype, pd.CategoricalDtype):
            columns[name] = pd.api.types.union_categoricals(some)
        else:
            columns[name] = np.concatenate([part.to_numpy() for part in some])
    return pd.DataFrame(columns)


def _write(part: pd.DataFrame, home: Path, paths: list[Path], before: int, last: bool) -> None:
    import pyarrow.parquet as pq  # noqa: PLC0415 - slow to load

    paths.append(home / f"part-{len(paths):05d}.parquet")
    note = {"part": len(paths) - 1, "shots_before": before, "last": last}
    table = to_arrow(part)
    table = table.replace_schema_metadata({NOTE: json.dumps(note).encode()})
    data = BytesIO()
    pq.write_table(table, data, compression="zstd", row_group_size=max(len(part), 1))
    write_file(paths[-1], data.getvalue())
