"""A folder of Parquet files as one log, read part by part."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from sidewall.court import Court
from sidewall.errors import DataError, LogError
from sidewall.features.shots import shot_features
from sidewall.log.rows import SCORES
from sidewall.scale.rules import check_rules
from sidewall.scale.schema import (
    NEEDED,
    PLAYER_COLUMNS,
    WORD_COLUMNS,
    kinds_of_columns,
    says_nothing,
    to_shots,
    words_of,
)
from sidewall.scale.write import NOTE

if TYPE_CHECKING:
    import pyarrow as pa
    from distributed import Client

#: Read where they are there, whatever columns are asked for: a fit may turn on them.
_WANTED = ("direction", "contact", "scoring", *SCORES)


def from_parquet(
    folder: str | Path,
    scheduler: int | str | Client | None = None,
    columns: Sequence[str] | None = None,
    court: Court | None = None,
) -> ShotFolder:
    """Open a folder of Parquet files as a log in parts.

    ``TightnessModel`` and ``RallyChain`` take it in the place of a table, and give the same
    numbers: ``sw.TightnessModel().fit(sw.from_parquet("federation"))``.

    Parameters
    ----------
    folder : str or Path
        What :func:`write_partitions` wrote, or files of the same columns from elsewhere.
    scheduler : int, str or distributed.Client, optional
        Who reads the parts. By default this process, one part after another; a number asks
        for so many processes (in a script, under ``if __name__ == "__main__":``); the
        address of a dask scheduler, or a client of one, asks for its workers, each of
        which must see the folder under the same path.
    columns : sequence of str, optional
        Further columns to read, besides those that every fit needs; all by default. Fewer
        columns are read faster.
    court : Court, optional
        The court that gaps and coordinates must fit into; singles by default.

    Raises
    ------
    LogError
        When there is no such folder, a file is missing or cannot be read, columns are
        missing or differ between files, or a match lies in two files.

    Notes
    -----
    Every part is held to the rules of the reader each time it is read, whoever wrote it: a
    rally that contradicts itself, or a length off the court, is refused with its row.
    """
    home = Path(folder)
    if not home.is_dir():
        raise LogError(f"there is no folder {home}; write one with write_partitions")
    files = sorted(home.glob("*.parquet"))
    if not files:
        raise LogError(f"{home} holds no Parquet files; write them with write_partitions")
    found = [_look(path) for path in files]
    _check_notes(found)
    _check_columns(found)
    kinds = found[0].kinds
    asked = [*NEEDED, *_WANTED, *(kinds if columns is None else columns)]
    missing = [name for name in columns or () if name not in kinds]
    if missing:
        raise LogError(f"{home}: no column {', '.join(missing)}; it has: {', '.join(kinds)}")
    chosen = [name for name in kinds if name in asked]
    owner: dict[str, Path] = {}
    players: set[str] = set()
    for part in found:
        for match in part.matches:
            if match in owner:
                raise LogError(
                    f"match {match!r} lies in {owner[match].name} and in {part.path.name}; "
                    "a match must lie whole in one file"
                )
            owner[match] = part.path
        players |= part.players
    return ShotFolder(
        tuple(files),
        tuple(sorted(players)),
        tuple(chosen),
        sum(p.shots for p in found),
        scheduler,
        court or Court(),
    )


@dataclass(frozen=True)
class ShotFolder:
    """A log in parts; see :func:`from_parquet`.

    Attributes
    ----------
    files : tuple of Path
    players : tuple of str
        Sorted; the categories of player and opponent in every part.
    chosen : tuple of str
        Columns that are read.
    shots : int
        Shots in all parts.
    scheduler : int, str, distributed.Client or None
    court : Court
    """

    files: tuple[Path, ...]
    players: tuple[str, ...]
    chosen: tuple[str, ...]
    shots: int
    scheduler: int | str | Client | None = None
    court: Court = field(default_factory=Court)

    @property
    def columns(self) -> list[str]:
        """Columns that are read."""
        return list(self.chosen)

    def read(self, part: int) -> pd.DataFrame:
        """One part as a canonical shot table.

        Raises
        ------
        LogError
            When the file cannot be read, or holds what a log must not.
        """
        return read_part(self.files[part], self.players, self.chosen, self.court)

    def each(self, function: Callable[[pd.DataFrame], Any]) -> Iterator[Any]:
        """Apply a function to the feature table of every part, in order."""
        task = _Task(self.players, self.chosen, self.court, function)
        if self.scheduler is None or self.scheduler == 1:
            yield from map(task, self.files)
        elif isinstance(self.scheduler, int):
            # fresh processes: a copy of this one could hold locks of its threads for ever
            fresh = get_context("spawn")
            with ProcessPoolExecutor(self.scheduler, fresh, _one_thread) as pool:
                yield from pool.map(task, self.files)
        else:
            from sidewall.scale.cluster import on_cluster  # noqa: PLC0415 - needs the extra

            yield from on_cluster(self.scheduler, task, self.files)


@dataclass(frozen=True)
class _Task:
    """Reads one file and applies a function to its features; goes to other processes."""

    players: tuple[str, ...]
    columns: tuple[str, ...]
    court: Court
    function: Callable[[pd.DataFrame], Any]

    def __call__(self, path: Path) -> Any:
        shots = read_part(path, self.players, self.columns, self.court)
        try:
            return self.function(shot_features(shots, self.court))
        except DataError as error:
            raise type(error)(f"{path.name}: {error}") from error


def read_part(
    path: Path, players: Sequence[str], columns: Sequence[str], court: Court
) -> pd.DataFrame:
    """Read one file as a canonical shot table; see :meth:`ShotFolder.read`."""
    shots = to_shots(_read(path, list(columns)), list(players), path.name)
    check_rules(shots, court, path.name)
    return shots


def _read(path: Path, columns: list[str]) -> pa.Table:
    import pyarrow as pa  # noqa: PLC0415 - slow to load
    import pyarrow.parquet as pq  # noqa: PLC0415

    try:
        return pq.read_table(path, columns=columns, use_threads=False, partitioning=None)
    except (pa.ArrowException, OSError) as error:
        raise LogError(f"{path} cannot be read ({error}); write the log again") from error


@dataclass(frozen=True)
class _Look:
    """What a file says of itself and holds in its key columns."""

    path: Path
    note: dict[str, Any] | None
    kinds: dict[str, str]
    shots: int
    matches: list[str]
    players: set[str]


def _look(path: Path) -> _Look:
    import pyarrow as pa  # noqa: PLC0415 - slow to load
    import pyarrow.parquet as pq  # noqa: PLC0415

    try:
        schema = pq.read_schema(path)
    except (pa.ArrowException, OSError) as error:
        raise LogError(f"{path} cannot be read ({error}); write the log again") from error
    missing = [name for name in NEEDED if name not in schema.names]
    if missing:
        raise LogError(f"{path} has no column {', '.join(missing)}; see read_shots for the columns")
    note = (schema.metadata or {}).get(NOTE)
    kinds = kinds_of_columns(schema)
    for name in WORD_COLUMNS:
        # A column that is blank throughout may carry any type.
        if kinds.get(name, "words") != "words" and says_nothing(_read(path, [name])[name]):
            kinds[name] = "words"
    keys = _read(path, ["match", *PLAYER_COLUMNS])
    players = {name for column in PLAYER_COLUMNS for name in words_of(keys[column])[1]}
    return _Look(
        path,
        None if note is None else json.loads(note),
        kinds,
        keys.num_rows,
        words_of(keys["match"])[1],
        players,
    )


def _check_notes(found: list[_Look]) -> None:
    """Find a missing file by what the others say of themselves."""
    if all(part.note is None for part in found):
        return  # files from elsewhere tell nothing
    before = 0
    for number, part in enumerate(found):
        note = part.note or {}
        if (note.get("part"), note.get("shots_before")) != (number, before):
            raise LogError(
                f"{part.path.name} should be file {number} of the log, with {before:,} shots "
                f"before it, but says of itself: file {note.get('part', 'unknown')}, "
                f"{note.get('shots_before', 'unknown')} before it. A file is missing or not "
                "of this log; write the log again"
            )
        before += part.shots
    if not (found[-1].note or {}).get("last"):
        raise LogError(f"the files after {found[-1].path.name} are missing; write the log again")


def _check_columns(found: list[_Look]) -> None:
    first = found[0]
    for part in found[1:]:
        odd = sorted(set(part.kinds.items()) ^ set(first.kinds.items()))
        if odd:
            raise LogError(
                f"{part.path.name} has other columns than {first.path.name}: {odd[0][0]} "
                f"({odd[0][1]}); write all parts with the same columns"
            )


def _one_thread() -> None:
    """Keep a worker process to one thread: the processes share the cores already."""
    import pyarrow as pa  # noqa: PLC0415 - slow to load

    pa.set_cpu_count(1)
