"""Write a log as Parquet files of whole matches."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import check_count
from sidewall.errors import DataError, LogError, WriteError
from sidewall.features.coded import as_category, names_and_codes, need_columns
from sidewall.features.rallies import rally_runs
from sidewall.files import make_folder, write_file
from sidewall.log.vocabulary import HANDS, VOCABULARY

if TYPE_CHECKING:
    import pyarrow as pa


#: Columns that hold names of players, with one list of names for all parts.
PLAYER_COLUMNS: Final = ("player", "opponent", "rally_won_by")

#: Columns without which nothing can be fitted.
NEEDED: Final = (
    "match",
    "game",
    "rally",
    "shot",
    "player",
    "opponent",
    "side",
    "stroke",
    "gap_m",
    "choice",
    "rally_won_by",
    "ending",
)

_INTEGERS: Final = ("game", "rally", "shot", "line")
#: Columns whose words are fixed beforehand.
_WORDS: Final = {**VOCABULARY, "hand": HANDS, "choice_source": ("charted", "derived")}
WORD_COLUMNS: Final = ("match", *PLAYER_COLUMNS, *_WORDS)
#: No number of a game, rally or shot is larger in a log; lines may be.
_LARGEST: Final = {"line": 2**53}


def to_arrow(shots: pd.DataFrame) -> pa.Table:
    """Columns of a canonical table; words and names become dictionaries of strings."""
    import pyarrow as pa  # noqa: PLC0415 - slow to load

    columns: dict[str, Any] = {}
    for name in shots.columns:
        column = shots[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            codes = column.cat.codes.to_numpy().astype(np.int32)
            words = pa.array([str(word) for word in column.cat.categories], pa.string())
            columns[name] = pa.DictionaryArray.from_arrays(pa.array(codes, mask=codes < 0), words)
        elif pd.api.types.is_numeric_dtype(column) or pd.api.types.is_datetime64_dtype(column):
            columns[name] = pa.array(column.to_numpy(), from_pandas=True)
        else:
            raise LogError(
                f"column {name} holds neither numbers nor categories ({column.dtype}); write "
                "what read_shots gives"
            )
    return pa.table(columns)


def kinds_of_columns(schema: pa.Schema) -> dict[str, str]:
    """Plain kind of every column: words, whole numbers, numbers or dates."""
    from pyarrow import types  # noqa: PLC0415 - slow to load

    found = {}
    for field in schema:
        kind = field.type
        if types.is_dictionary(kind):
            kind = kind.value_type
        if types.is_string(kind) or types.is_large_string(kind) or types.is_null(kind):
            found[field.name] = "words"
        elif types.is_integer(kind):
            found[field.name] = "whole numbers"
        elif types.is_floating(kind):
            found[field.name] = "numbers"
        elif types.is_timestamp(kind) or types.is_date(kind):
            found[field.name] = "dates"
        else:
            found[field.name] = str(kind)
    return found


def to_shots(table: pa.Table, players: list[str], where: str) -> pd.DataFrame:
    """The canonical table of the part `where`; `players` are all of the log, sorted.

    A LogError when a column holds a word that it must not, or a number is missing or not whole.
    """
    kinds = kinds_of_columns(table.schema)
    columns: dict[str, Any] = {}
    for name in table.column_names:
        if name in WORD_COLUMNS or kinds[name] == "words":
            if kinds[name] != "words" and not says_nothing(table[name]):
                raise LogError(f"{where}: column {name} must hold words, not {kinds[name]}")
            columns[name] = _words(table[name], name, players, where)
        elif name in _INTEGERS:
            if table[name].null_count or kinds[name] != "whole numbers":
                raise LogError(f"{where}: column {name} must hold a whole number in every row")
            whole = table[name].to_numpy()
            largest = _LARGEST.get(name, 1_000_000)
            off = (whole < 1) | (whole > largest)
            if off.any():
                at = int(np.flatnonzero(off)[0])
                raise LogError(
                    f"{where}, row {at + 1}: {name} is {whole[at]}; it must be a whole number "
                    f"from 1 to {largest}"
                )
            columns[name] = whole.astype(np.int64)
        elif kinds[name] in ("numbers", "whole numbers"):
            columns[name] = table[name].to_numpy().astype(np.float64)
        elif kinds[name] == "dates":
            columns[name] = table[name].to_numpy().astype("datetime64[ns]")
        else:
            raise LogError(f"{where}: column {name} holds {kinds[name]}, which no log has")
    return pd.DataFrame(columns)


def _words(column: pa.ChunkedArray, name: str, players: list[str], where: str) -> pd.Categorical:
    codes, met = words_of(column)
    if name in PLAYER_COLUMNS:
        words = players
    elif name in _WORDS:
        words = list(_WORDS[name])
    else:
        words = met
    place = pd.Index(words).get_indexer(pd.Index(met))
    if (place < 0).any():
        strange = met[int(np.flatnonzero(place < 0)[0])]
        raise LogError(
            f"{where}: column {name} holds {strange!r}, which is not one of "
            f"{', '.join(words[:10])}; read the log with read_shots and write it again"
        )
    return as_category(np.append(place, -1)[codes], words)


def says_nothing(column: pa.ChunkedArray) -> bool:
    """Whether a column is blank throughout, whatever its type."""
    from pyarrow import compute, types  # noqa: PLC0415 - slow to load

    blank = column.null_count
    if types.is_floating(column.type):
        blank = compute.sum(compute.is_null(column, nan_is_null=True)).as_py() or 0
    return blank == len(column)


def words_of(column: pa.ChunkedArray) -> tuple[np.ndarray, list[str]]:
    """Code of every row (-1 where nothing stands) and the words met, as they first appear."""
    import pyarrow as pa  # noqa: PLC0415 - slow to load

    if says_nothing(column):
        return np.full(len(column), -1), []
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    whole = column.unify_dictionaries().combine_chunks()
    if isinstance(whole, pa.ChunkedArray):
        whole = whole.chunk(0) if whole.num_chunks else pa.DictionaryArray.from_arrays([], [])
    indices = whole.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    words = whole.dictionary.to_pylist()
    codes, met = pd.factorize(indices)
    something = met >= 0
    place = np.where(something, np.cumsum(something) - 1, -1)
    return place[codes], [words[k] for k in met[something]]


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
    shots_per_part : int, default 200_000
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

    See Also
    --------
    from_parquet

    Examples
    --------
    >>> [file.name for file in sw.write_partitions(shots, "federation")]
    ['part-00000.parquet']
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
