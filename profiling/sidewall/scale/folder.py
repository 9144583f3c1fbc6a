"""A folder of Parquet files as one log, read part by part, here or by a cluster's workers.

A file of shots may come from elsewhere, or from an earlier hand; every part is held to the
reader's rules each time it is read. They are sums over columns of codes, and take a small share
of the time of a pass.
"""

from __future__ import annotations

import json
import pickle
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Ints
from sidewall.court import Court
from sidewall.errors import DataError, LogError
from sidewall.features.coded import codes_of
from sidewall.features.shots import shot_features
from sidewall.log.rallies import FIXED_WINNER, LET
from sidewall.log.rows import SCORES, SERVE
from sidewall.log.vocabulary import ENDINGS, SIDES, STROKES
from sidewall.rallies.in_short import gap_words, in_short
from sidewall.scale.write import (
    NEEDED,
    NOTE,
    PLAYER_COLUMNS,
    WORD_COLUMNS,
    kinds_of_columns,
    says_nothing,
    to_shots,
    words_of,
)

if TYPE_CHECKING:
    import pyarrow as pa
    from distributed import Client


_MEND: Final = "read the log with read_shots, and write what it gives"


def check_rules(shots: pd.DataFrame, court: Court, where: str) -> None:
    """Refuse a table of canonical columns that the reader would not have given.

    A LogError names the file, the first row that breaks a rule, and how many do.
    """
    if not len(shots):
        return
    _check_numbers(shots, court, where)
    match = shots["match"].cat.codes.to_numpy()
    _refuse(shots, where, "match", match < 0, "every shot belongs to a match")
    begins = np.ones(len(shots), dtype=bool)
    begins[1:] = match[1:] != match[:-1]
    new_match = begins.copy()
    for name in ("game", "rally"):
        number = shots[name].to_numpy()
        begins[1:] |= number[1:] != number[:-1]
    ends = np.append(begins[1:], True)
    row = np.arange(len(shots))
    due = row - np.maximum.accumulate(np.where(begins, row, 0)) + 1
    hole = shots["shot"].to_numpy() != due
    _refuse(shots, where, "shot", hole, "shots count from 1, so the rally is not whole")
    _check_players(shots, where, begins, new_match)
    _check_play(shots, where, begins, ends)
    _check_ending(shots, where, ends)


def _check_numbers(shots: pd.DataFrame, court: Court, where: str) -> None:
    limits = {
        "gap_m": court.half_width_m,
        **dict.fromkeys(("x_m", "bounce_x_m", "opponent_x_m"), court.width_m),
        **dict.fromkeys(("y_m", "bounce_y_m", "opponent_y_m"), court.length_m),
        "wall_z_m": court.clear_height_m,
        **dict.fromkeys(("t_s", *SCORES), np.finfo(float).max),
    }
    for name in shots.columns:
        if not pd.api.types.is_float_dtype(shots[name].dtype):
            continue
        value = shots[name].to_numpy()
        _refuse(shots, where, name, np.isinf(value), "it is not finite")
        if name in limits:
            off = (value < 0) | (value > limits[name])
            what = f"0 to {limits[name]:g} m" if name.endswith("_m") else "a number from 0"
            _refuse(shots, where, name, off, f"it must be {what}")
        if name in SCORES:
            broken = ~np.isnan(value) & (value != np.floor(value))
            _refuse(shots, where, name, broken, "a score is a whole number")


def _check_players(shots: pd.DataFrame, where: str, begins: Bools, new_match: Bools) -> None:
    player, opponent = (_codes(shots, name) for name in ("player", "opponent"))
    _refuse(shots, where, "player", player < 0, "every shot has a striker")
    _refuse(shots, where, "opponent", opponent < 0, "every shot has an opponent")
    _refuse(shots, where, "opponent", opponent == player, "a player is his own opponent")
    first = np.flatnonzero(new_match)[np.cumsum(new_match) - 1]
    two = [np.minimum(player, opponent), np.maximum(player, opponent)]
    third = (two[0] != two[0][first]) | (two[1] != two[1][first])
    _refuse(shots, where, "player", third, "a third name in a match of two players")
    twice = np.zeros(len(shots), dtype=bool)
    twice[1:] = (player[1:] == player[:-1]) & ~begins[1:]
    _refuse(shots, where, "player", twice, "the same player twice running")


def _check_play(shots: pd.DataFrame, where: str, begins: Bools, ends: Bools) -> None:
    side, stroke = codes_of(shots["side"], SIDES), codes_of(shots["stroke"], STROKES)
    serve = stroke == SERVE
    short = in_short(shots) & shots["choice"].notna().to_numpy()
    _refuse(shots, where, "side", (side < 0) & ~short, "write forehand or backhand")
    _refuse(shots, where, "stroke", begins & ~serve, "shot 1 is not a serve")
    _refuse(shots, where, "stroke", serve & ~begins, "a serve within a rally")
    gap = np.isnan(shots["gap_m"].to_numpy())
    lacks = gap & ~serve & (gap_words(shots) < 0)
    _refuse(shots, where, "gap_m", lacks, "blank, and no gap_class; only a serve has none")
    _refuse(shots, where, "gap_m", serve & ~gap, "a serve answers no ball, so it has no gap")
    if "t_s" in shots:
        time = shots["t_s"].to_numpy()
        timed = np.flatnonzero(~np.isnan(time))
        rally = np.cumsum(begins)[timed]
        back = np.zeros(len(shots), dtype=bool)
        back[timed[1:]] = (np.diff(time[timed]) < 0) & (np.diff(rally) == 0)
        _refuse(shots, where, "t_s", back, "the time runs backwards within the rally")


def _check_ending(shots: pd.DataFrame, where: str, ends: Bools) -> None:
    ending = codes_of(shots["ending"], ENDINGS)
    player, opponent, winner = (_codes(shots, c) for c in ("player", "opponent", "rally_won_by"))
    _refuse(shots, where, "ending", ~ends & (ending >= 0), "the rally goes on after its ending")
    _refuse(shots, where, "ending", ends & (ending < 0), "the last shot has no ending")
    early = ~ends & (winner >= 0)
    _refuse(shots, where, "rally_won_by", early, "a winner before the last shot of the rally")
    strange = (winner >= 0) & (winner != player) & (winner != opponent)
    _refuse(shots, where, "rally_won_by", strange, "the winner does not play in the match")
    let = ending == LET
    _refuse(shots, where, "rally_won_by", let & (winner >= 0), "a let has no winner")
    missing = ends & ~let & (winner < 0)
    _refuse(shots, where, "rally_won_by", missing, "the rally has no winner")
    fixed = np.where(ending >= 0, FIXED_WINNER[ending], 0)
    wrong = ((fixed > 0) & (winner != player)) | ((fixed < 0) & (winner != opponent))
    _refuse(shots, where, "rally_won_by", wrong, "the winner contradicts the ending")


def _codes(shots: pd.DataFrame, name: str) -> Ints:
    """Codes into the list of all players, which these columns share."""
    return shots[name].cat.codes.to_numpy().astype(np.int64)


def _refuse(shots: pd.DataFrame, where: str, name: str, off: Bools, reason: str) -> None:
    count = int(np.count_nonzero(off))
    if not count:
        return
    at = int(np.flatnonzero(off)[0])
    row: Any = shots.iloc[at]
    more = "" if count == 1 else f" ({count:,} rows in all)"
    raise LogError(
        f"{where}, row {at + 1} (match {row['match']}, game {row['game']}, rally {row['rally']}, "
        f"shot {row['shot']}): {name} is {row[name]}: {reason}{more}. Mend: {_MEND}"
    )


def on_cluster(
    scheduler: str | Client, task: Callable[[Path], Any], files: Sequence[Path]
) -> Iterator[Any]:
    """Apply a task to every file on a cluster, and give the results in order.

    A worker that is lost loses nothing: its files are read again by the others. A DataError when
    dask.distributed is not installed, or a worker cannot load the task.
    """
    try:
        import cloudpickle  # type: ignore[import-untyped]  # noqa: PLC0415 - of the extra
        from distributed import Client  # noqa: PLC0415 - slow to load, of the extra
    except ImportError as error:
        raise DataError(
            "a scheduler needs dask.distributed; install it with pip install 'sidewall[scale]', "
            "or leave the scheduler out"
        ) from error
    own = Client(scheduler, set_as_default=False) if isinstance(scheduler, str) else None
    client: Any = own or scheduler
    try:
        paths = [path.resolve() for path in files]
        # packed here and unpacked in the task, since a worker that cannot unpack what it is
        # sent would not answer at all. It goes out once; as a result of its own it is made
        # again on another worker if the one that holds it is lost
        packed = client.submit(_same, cloudpickle.dumps(task), pure=False)
        futures = [client.submit(_apply, packed, path, pure=False) for path in paths]
        for k in range(len(futures)):
            yield futures[k].result()
            futures[k].release()
    finally:
        if own is not None:
            own.close()


def _same(packed: bytes) -> bytes:
    return packed


def _apply(packed: bytes, path: Path) -> Any:
    try:
        task = pickle.loads(packed)
    except (ImportError, AttributeError) as error:
        raise DataError(
            f"a worker cannot load what it is asked to do ({error}); install the same version of "
            "sidewall on every worker, and give state rules that the workers can import"
        ) from error
    return task(path)


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

    See Also
    --------
    write_partitions
    TightnessModel
    RallyChain

    Notes
    -----
    Every part is held to the rules of the reader each time it is read, whoever wrote it: a
    rally that contradicts itself, or a length off the court, is refused with its row.

    Examples
    --------
    >>> files = sw.write_partitions(shots, "club")
    >>> log = sw.from_parquet("club")
    >>> sw.RallyChain().fit(log).players_
    ['Alder', 'Cedar', 'Hazel', 'Rowan']
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

    `players`, sorted, are the categories of player and opponent in every part; `chosen` are the
    columns that are read; `shots` counts those of all parts.
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
        """One part as a canonical shot table; a LogError when it holds what a log must not."""
        return read_part(self.files[part], self.players, self.chosen, self.court)

    def each(self, function: Callable[[pd.DataFrame], Any]) -> Iterator[Any]:
        """Apply a function to the feature table of every part, in order."""
        task = _Task(self.players, self.chosen, self.court, function)
        if self.scheduler is None or self.scheduler == 1:
            yield from map(task, self.files)
        elif isinstance(self.scheduler, int):
            try:
                yield from _processes(self.scheduler).map(task, self.files)
            except BrokenExecutor as error:  # the next pass gets new ones
                _processes.cache_clear()
                raise LogError(
                    f"{self.files[0].parent}: a process that read a part of the log ended before "
                    "it was done. For want of memory: ask for fewer processes. In a script: call "
                    'it below if __name__ == "__main__":, since each process runs the script anew'
                ) from error
        else:
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


@lru_cache(maxsize=1)
def _processes(count: int) -> ProcessPoolExecutor:
    """Processes that stay for the passes to come: to start, each loads the package anew.

    Fresh ones: a copy of this process could hold locks of its threads for ever.
    """
    return ProcessPoolExecutor(count, get_context("spawn"), _one_thread)


def _one_thread() -> None:
    """Keep a worker process to one thread: the processes share the cores already."""
    import pyarrow as pa  # noqa: PLC0415 - slow to load

    pa.set_cpu_count(1)
