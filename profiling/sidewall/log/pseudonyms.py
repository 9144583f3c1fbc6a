"""Replace names in a log by codes, and codes in a result by names.

What leaves: names of players in every column, names of matches (they often hold players,
events or dates), names of groups, initials, dates, every column that is not a column of a
log, and every cell that is not understood, as it may hold anything. What stays: the shots.
Which code stands for whom is kept in a key, a file of its own.
"""

from __future__ import annotations

import csv
import io
import os
import random
import re
import secrets
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame, check_count
from sidewall.errors import LogError, WriteError
from sidewall.files import plan_files, write_file
from sidewall.log.cells import ALWAYS_NAMED, is_blank, name_key, parse_numbers, tidy_name
from sidewall.log.columns import DERIVED, SPECS, is_length, resolve, understand, unit_in_cells
from sidewall.log.dates import parse_dates
from sidewall.log.details import open_table
from sidewall.log.match_details import detail_tables
from sidewall.log.raw import RawColumn, RawLog
from sidewall.log.source import Source, open_log
from sidewall.log.synonyms import understand_word
from sidewall.log.workbook import Sheet
from sidewall.log.writing import check_target, with_text_mark, write_table

#: What is given a code: the word that the code begins with.
KINDS: Final = ("player", "match", "group")
_HEADINGS: Final = ["kind", "name", "code"]


@dataclass
class Key:
    """Codes by kind and folded name, and what was added since it was read.

    `names` are by code; `added` are kind, name and code of what is not in the file yet; dates are
    moved by `shift_days`, None until it is needed; `read` is the file as it was read.
    """

    file: Path
    codes: dict[tuple[str, str], str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    added: list[tuple[str, str, str]] = field(default_factory=list)
    shift_days: int | None = None
    read: bytes = b""

    def add(self, kind: str, names: list[str], chance: random.Random) -> None:
        """Give a code to every name that has none, in random order.

        A LogError if a name is itself a code of this key.
        """
        new = {name_key(name): tidy_name(name) for name in names}
        for key, name in new.items():
            if key in self.names and (kind, key) not in self.codes:
                raise LogError(
                    f"{name!r} is a code of this key already: the log was pseudonymised before."
                )
        fresh = [name for key, name in new.items() if (kind, key) not in self.codes]
        chance.shuffle(fresh)
        count = sum(known == kind for known, _ in self.codes)
        for number, name in enumerate(fresh, count + 1):
            self._keep(kind, name, f"{kind}-{number:02d}")
            self.added.append((kind, name, f"{kind}-{number:02d}"))

    def shift(self, chance: random.Random) -> int:
        """Days by which dates move: one to five years of whole weeks, the same every time."""
        if self.shift_days is None:
            self.shift_days = 7 * chance.randrange(52, 261) * chance.choice((-1, 1))
            self.added.append(("shift", "days", str(self.shift_days)))
        return self.shift_days

    def save(self) -> None:
        """Write what was there and what was added, for the owner's eyes only.

        A WriteError if the file cannot be written, or was changed since it was read.
        """
        lines = io.StringIO()
        writer = csv.writer(lines, lineterminator="\n")
        if not self.read:
            writer.writerow(_HEADINGS)
        writer.writerows([[with_text_mark(cell) for cell in row] for row in self.added])
        before = self.read if self.read[-1:] in (b"", b"\n") else self.read + b"\n"
        data = before + lines.getvalue().encode("utf-8")
        if self.read and self.file.read_bytes() != self.read:
            raise WriteError(
                f"{self.file}: the key was changed while names were given codes. Begin again."
            )
        write_file(self.file, data, overwrite=bool(self.read), private=True)
        self.read, self.added = data, []

    def _keep(self, kind: str, name: str, code: str) -> None:
        self.codes[kind, name_key(name)] = code
        self.names[code] = name


def read_key(path: str | os.PathLike[str], *, must_exist: bool = False) -> Key:
    """Read a key, or begin an empty one.

    A LogError if the file is there and is no key, or must be there and is not.
    """
    key = Key(Path(path))
    if not os.path.exists(key.file):
        if must_exist:
            raise LogError(f"{key.file}: there is no such key. Check the name and the folder.")
        return key
    try:
        key.read = key.file.read_bytes()
        rows = list(csv.reader(io.StringIO(key.read.decode("utf-8-sig"), newline="")))
    except (OSError, ValueError, csv.Error) as error:
        raise LogError(f"{key.file}: the key cannot be read. Is this the right file?") from error
    if not rows or rows[0] != _HEADINGS:
        raise LogError(
            f"{key.file}: this is no key; its first line is not {','.join(_HEADINGS)}. Nothing was "
            "written into it. Name another file."
        )
    for line, row in enumerate(rows[1:], 2):
        kind = row[0] if len(row) == 3 else ""
        whole = kind == "shift" and row[2].lstrip("-").isdigit()
        taken = len(row) == 3 and row[2] in key.names
        if not (whole or kind in KINDS) or taken:
            raise LogError(
                f"{key.file}: line {line} of the key is damaged or stands twice. Take the key from "
                "a copy; with a wrong one names would be mixed up."
            )
        if whole:
            key.shift_days = int(row[2])
        else:
            key._keep(kind, tidy_name(row[1]), row[2])
    return key


#: Kind of name that a column holds.
KIND_OF: Final = {
    **dict.fromkeys(("player", "opponent", "rally_won_by"), "player"),
    "match": "match",
    "group": "group",
}
_NOT_UNDERSTOOD: Final = "?"
#: Scoring in few letters and a number, such as par11 or hiho 9; other text may hold anything.
_SCORING: Final = re.compile(r"(par|hiho|point a rally|hand in hand out)?[ -]*(to )?\d{1,2}", re.I)


def coded_cells(
    name: str,
    unit: str | None,
    column: RawColumn,
    raw: RawLog,
    codes: Key,
    dates: str,
    chance: random.Random,
) -> tuple[Any, Any]:
    """Distinct cells as they are written, and whether each was not understood."""
    distinct = column.distinct
    made = np.full(len(distinct), "", dtype=object)
    wrong = np.zeros(len(distinct), dtype=bool)
    kind = SPECS[name].kind if name in SPECS else "word"
    numbers = None
    if kind in ("count", "score", "length", "seconds"):
        numbers = parse_numbers(
            distinct,
            comma_decimals=raw.comma_decimals,
            unit=unit if kind == "length" else None,
            clock=kind == "seconds",
        )
    days, _ = parse_dates(distinct) if name == "date" else ([], {})
    for at, cell in enumerate(distinct):
        known = name in KIND_OF and (KIND_OF[name], name_key(cell)) in codes.codes
        if is_blank(cell, name=known):
            continue
        value: Any = None
        if name in KIND_OF:
            value = codes.codes[KIND_OF[name], name_key(cell)]
        elif numbers is not None:
            value = _number(numbers.value[at])
        elif name == "date":
            value = _day(days[at], codes, dates, chance)
        elif name == "scoring":
            value = cell if _SCORING.fullmatch(str(cell).strip()) else None
        elif name == "choice_source":
            value = cell if cell in ("charted", "derived") else None
        else:
            value = cell if understand_word(name, cell, suggest=False).value else None
        wrong[at] = value is None
        made[at] = _NOT_UNDERSTOOD if value is None else value
    return made, wrong


def _number(value: float) -> float | int | None:
    if np.isnan(value):
        return None
    return int(value) if value == np.floor(value) and abs(value) < 1e15 else float(value)


def _day(day: date | None, codes: Key, dates: str, chance: random.Random) -> str | None:
    if day is None:
        return None
    if dates == "shift":
        try:
            day += timedelta(days=codes.shift(chance))
        except OverflowError:
            return None
    return day.isoformat()


Dates = Literal["drop", "shift", "keep"]


@dataclass
class Pseudonymised:
    """What was written; it holds no name.

    Attributes
    ----------
    files : list of Path
        The log, then the tables of players and matches where there were any; not the key.
    key : Path
    rows : int
        Rows written: all rows of the log.
    dropped : list of str
        Columns left out, by their heading.
    cells_replaced : int
        Cells that were not understood and are now ``?``.
    new_codes : dict of str to int
        Codes that were added to the key, by kind.
    dates : str
        What became of the dates.
    """

    key: Path
    dates: str
    rows: int = 0
    files: list[Path] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)
    cells_replaced: int = 0
    new_codes: dict[str, int] = field(default_factory=dict)


def pseudonymise(
    log: Source,
    out: str | os.PathLike[str],
    key: str | os.PathLike[str],
    *,
    players: Source | None = None,
    matches: Source | None = None,
    dates: Dates = "drop",
    seed: int | None = None,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> Pseudonymised:
    """Write a log without names.

    Codes such as ``player-03`` are given in random order, so that they do not follow the
    order of appearance. Whoever holds the key can undo them; keep it apart from the log. This
    hides names. It does not make a log anonymous: whoever knows a match well may still know
    its rallies.

    Parameters
    ----------
    log
        The log.
    out
        Where to write it: .csv, .xlsx or .parquet. Never overwritten.
    key
        File of the codes, readable by its owner only. One that is there is used again and
        extended, so that a player keeps one code in all logs.
    players, matches
        Tables of players and matches, written beside ``out``; the sheet of match details of a
        workbook by default.
    dates
        ``drop`` leaves them out, as a date and a score are enough to look a match up.
        ``shift`` moves all by one secret number of whole weeks, kept in the key, so that order
        and distance stay. ``keep`` keeps them.
    seed
        For tests: makes the order of the codes known.
    sheet, delimiter, encoding
        As in :func:`sidewall.check_log`.

    Raises
    ------
    LogError
        If the log cannot be read, the key is damaged, or the log was pseudonymised before.
    WriteError
        If a file would be overwritten or cannot be written.

    See Also
    --------
    reidentify
    read_shots

    Examples
    --------
    >>> written = sw.pseudonymise("ladder.csv", "to-share.csv", "key.csv", seed=1)
    >>> pd.read_csv("to-share.csv")["player"].nunique()
    4
    """
    if dates not in ("drop", "shift", "keep"):
        raise LogError(f"dates is {dates!r}: use 'drop', 'shift' or 'keep'.")
    raw = open_log(log, sheet=sheet, delimiter=delimiter, encoding=encoding)
    resolve(raw)
    tables = _tables(raw, players, matches, encoding)
    target = check_target(out)
    targets = {
        what: check_target(target.with_name(f"{target.stem}-{what}{target.suffix}"))
        for what in tables
    }
    used = [target, *targets.values()]
    if Path(key).resolve() in [one.resolve() for one in used]:
        raise LogError(f"{key}: the key needs a file of its own, apart from what is written.")
    if seed is not None:
        check_count(seed, "seed", 0)
    chance = random.Random(secrets.randbits(128) if seed is None else seed)
    codes = read_key(key)
    plan_files([codes.file])
    report = Pseudonymised(codes.file, dates)
    everything = [raw, *tables.values()]
    for kind in KINDS:
        names = [name for one in everything for name in _names(one, kind)]
        codes.add(kind, names, chance)
    report.new_codes = dict(Counter(kind for kind, _, _ in codes.added))
    written = [(target, _coded(raw, codes, report, chance))]
    written += [(targets[what], _coded(one, codes, report, chance)) for what, one in tables.items()]
    codes.save()  # before the log, which would be of no use without it
    report.rows = len(raw.lines)
    for file, table in written:
        report.files.append(write_table(table, file))
    return report


def reidentify(table: Table, key: str | os.PathLike[str]) -> pd.DataFrame:
    """Put names back in place of codes.

    Parameters
    ----------
    table
        Any table with codes in the columns player, opponent, rally_won_by, match or group;
        dates that were shifted move back.
    key
        File of the codes.

    Returns
    -------
    DataFrame
        A copy; what is no code stays as it is.

    Raises
    ------
    LogError
        If there is no such key, or it is damaged.

    See Also
    --------
    pseudonymise

    Examples
    --------
    >>> written = sw.pseudonymise("ladder.csv", "shared.csv", "shared-key.csv", seed=1)
    >>> named = sw.reidentify(pd.read_csv("shared.csv"), "shared-key.csv")
    >>> sorted(named["player"].unique())
    ['Alder', 'Cedar', 'Hazel', 'Rowan']
    """
    table = as_frame(table, "table")
    codes = read_key(key, must_exist=True)
    named = table.copy()
    for name in KIND_OF:
        if name not in named:
            continue
        column = named[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            known = {one: codes.names.get(str(one), one) for one in column.cat.categories}
            named[name] = column.cat.rename_categories(known)
        else:
            named[name] = column.map(lambda one: codes.names.get(str(one), one), na_action="ignore")
    if codes.shift_days is not None and "date" in named:
        days = pd.to_datetime(named["date"]) - pd.Timedelta(days=codes.shift_days)
        is_time = pd.api.types.is_datetime64_any_dtype(named["date"].dtype)
        named["date"] = days if is_time else days.dt.strftime("%Y-%m-%d")
    return named


def _tables(
    raw: RawLog, players: Source | None, matches: Source | None, encoding: str | None
) -> dict[str, RawLog]:
    given: dict[str, Source | RawLog | None] = {"players": players, "matches": matches}
    if raw.match_details is not None:
        of_players, of_matches = detail_tables(raw.match_details)
        given = {
            "players": of_players if players is None else players,
            "matches": of_matches if matches is None else matches,
        }
    keys = {"players": "player", "matches": "match"}
    return {
        what: open_table(table, keys[what], encoding)
        for what, table in given.items()
        if table is not None
    }


def _known(raw: RawLog) -> list[tuple[str, str, str | None, RawColumn]]:
    """Heading, our name, unit and cells of the columns of a log."""
    found = []
    for text, column in raw.columns:
        known = understand(text)
        if known is not None:
            name, unit = known
            if unit is None and is_length(name):
                unit = unit_in_cells(column)
            found.append((text, name, unit, column))
        elif text.casefold() == "choice_source" and text.casefold() in DERIVED:
            found.append((text, "choice_source", None, column))
    return found


def _names(raw: RawLog, kind: str) -> list[str]:
    names: dict[str, str] = {}
    for _, name, _, column in _known(raw):
        if KIND_OF.get(name) == kind:
            counts = np.bincount(column.codes, minlength=len(column.distinct))
            for at in np.argsort(-counts, kind="stable"):
                cell = column.distinct[at]
                if counts[at] and not is_blank(cell, name=name in ALWAYS_NAMED):
                    names.setdefault(name_key(cell), tidy_name(cell))
    return list(names.values())


def _coded(raw: RawLog, codes: Key, report: Pseudonymised, chance: random.Random) -> pd.DataFrame:
    left_out = ("initials", "date") if report.dates == "drop" else ("initials",)
    kept = [one for one in _known(raw) if one[1] not in left_out]
    columns: dict[str, Any] = {}
    for _, name, unit, column in kept:
        cells, wrong = coded_cells(name, unit, column, raw, codes, report.dates, chance)
        report.cells_replaced += int(wrong[column.codes].sum())
        columns[f"{name}_{unit or 'm'}" if is_length(name) else name] = cells[column.codes]
    known = {text for text, _, _, _ in kept}
    lost = [text or "(no heading)" for text, _ in raw.columns if text not in known]
    report.dropped += [text for text in lost if text not in report.dropped]
    report.cells_replaced += len(raw.overfull)
    return pd.DataFrame(columns)
