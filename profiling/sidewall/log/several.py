"""Several logs read as one: each by its own headings, no match mixed up and no rally twice."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools
from sidewall.errors import LogError
from sidewall.log.cells import name_key
from sidewall.log.ledger import RALLY, WITH_ITS_RALLY
from sidewall.log.raw import RawLog, shown_cell
from sidewall.log.remarks import remarks
from sidewall.log.rows import SCORES
from sidewall.log.source import Source
from sidewall.log.vocabulary import VOCABULARY
from sidewall.log.workbook import Needs
from sidewall.waiting import waiting

if TYPE_CHECKING:
    from sidewall.log.check import LogCheck

#: What a log in a folder may end in; other files in it are none.
_SUFFIXES: Final = (".csv", ".tsv", ".xlsx", ".xlsm", ".parquet", ".pq")
_NAMES: Final = ("player", "opponent", "rally_won_by")
#: Two logs hold the same play where so many of the rallies that both number agree in who
#: served, who won and how many shots there were. Rallies of two matches rarely do.
_SAME: Final = 0.5

_Rally = tuple[int, int]


def is_several(path: Any) -> bool:
    """Whether this is a list of logs, or a folder of them."""
    if isinstance(path, str | os.PathLike):
        return os.path.isdir(path)
    return isinstance(path, list | tuple)


def check_several(
    path: Any,
    check_one: Callable[[Source | RawLog], LogCheck],
    open_one: Callable[[Source], RawLog],
    needs: Needs,
) -> LogCheck:
    """Check logs, and folders of logs, one by one and join what they hold.

    `open_one` opens one without understanding it; a file of a folder whose headings lack more than
    half of what `needs` says is no log. A LogError if there is no log, or one cannot be read.
    """
    given = [path] if isinstance(path, str | os.PathLike) else list(path)
    sources, notes = _sources(given)
    checks: list[LogCheck] = []
    labels: list[str] = []
    passed: list[str] = []
    bar = waiting(sources, "reading", "log")
    for label, source, asked_for in bar:
        bar.set_postfix_str(label)
        raw = open_one(source)
        if not asked_for and len(needs([text for text, _ in raw.columns])) > len(needs([])) / 2:
            passed.append(label)
            continue
        checks.append(check_one(raw))
        labels.append(label)
    if passed:
        notes.append(f"Passed over, as not a log: {', '.join(passed)}.")
    if not checks:
        where = ", ".join(str(one) for one in given if isinstance(one, str | os.PathLike))
        raise LogError(
            f"{where or 'The list'} holds no log. Name files that end in {', '.join(_SUFFIXES)} "
            "and whose headings are those of a log."
        )
    if len(checks) == 1:
        return replace(checks[0], notes=(*checks[0].notes, *notes))
    return _Join(labels, checks, notes).joined()


def _sources(given: Sequence[Any]) -> tuple[list[tuple[str, Any, bool]], list[str]]:
    """Label of each log, what it is, and whether it was named itself; and what to say of them."""
    found: list[tuple[Any, bool]] = []
    for one in given:
        if isinstance(one, str | os.PathLike) and os.path.isdir(one):
            files = sorted(Path(one).iterdir())
            found += [
                (file, False)
                for file in files
                if file.suffix.lower() in _SUFFIXES and file.name[0] not in ".~" and file.is_file()
            ]
        else:
            found.append((one, True))
    seen: dict[str, Any] = {}
    notes, kept = [], []
    for source, asked_for in found:
        if isinstance(source, str | os.PathLike):
            place = os.path.realpath(source)
            if place in seen:
                notes.append(f"{source} is given twice, and read once.")
                continue
            seen[place] = source
        kept.append((source, asked_for))
    labels = _labels([source for source, _ in kept])
    return [(label, *one) for label, one in zip(labels, kept, strict=True)], notes


def _labels(sources: Sequence[Any]) -> list[str]:
    """Name each log as shortly as tells it from the others."""
    parts = [
        Path(os.path.abspath(one)).parts
        if isinstance(one, str | os.PathLike)
        else (f"table {number}",)
        for number, one in enumerate(sources, 1)
    ]
    labels = []
    for own in parts:
        length = 1
        while length < len(own) and sum(own[-length:] == other[-length:] for other in parts) > 1:
            length += 1
        labels.append("/".join(own[-length:]))
    return labels


@dataclass
class _Held:
    """A match as one log holds it: its rallies, each with what tells it from others."""

    at: int
    name: str
    players: frozenset[str]
    date: Any
    rallies: dict[_Rally, tuple[int, str, str]]
    left_out: dict[_Rally, int] = field(default_factory=dict)

    def is_also(self, other: _Held) -> bool:
        """Whether the other is the same match, charted again or in another part."""
        if self.players != other.players:
            return False
        if pd.notna(self.date) and pd.notna(other.date) and self.date != other.date:
            return False
        both = self.rallies.keys() & other.rallies.keys()
        same = sum(self.rallies[one] == other.rallies[one] for one in both)
        return same >= _SAME * len(both)


class _Join:
    """The tables of several checks, put below one another."""

    def __init__(self, labels: list[str], checks: list[LogCheck], notes: list[str]) -> None:
        self.labels, self.checks, self.notes = labels, checks, notes
        self.shots = [check.shots for check in checks]
        self.folded: list[pd.DataFrame] = []
        self.problems: list[pd.DataFrame] = []

    def joined(self) -> LogCheck:
        self._one_spelling()
        kept = [np.ones(len(shots), dtype=bool) for shots in self.shots]
        for play in self._matches().values():
            self._settle(play, kept)
        shots = self._below(kept)
        labelled = list(zip(self.labels, self.checks, strict=True))
        counts: Counter[str] = Counter()
        for check in self.checks:
            counts.update(check.refused_by_kind)
        for table in self.problems:
            counts.update(table["kind"])
        return replace(
            self.checks[0],
            shots=shots,
            problems=_named(labelled, [check.problems for check in self.checks], self.problems),
            doubts=_named(labelled, [check.doubts for check in self.checks], self._across(shots)),
            folded=_named(labelled, [check.folded for check in self.checks], self.folded),
            rows_in=sum(check.rows_in for check in self.checks),
            rows_used=len(shots),
            rows_refused=sum(check.rows_in for check in self.checks) - len(shots),
            source=f"{len(self.checks)} logs",
            refused_by_kind=dict(counts),
            logs={label: check.rows_in for label, check in labelled},
            sheets={},
            passed_over=(),
            notes=(*self._notes_of(labelled), *self.notes),
        )

    def _across(self, shots: pd.DataFrame) -> list[pd.DataFrame]:
        """What only the logs together make one ask."""
        said = {
            (label, line, mend)
            for label, check in zip(self.labels, self.checks, strict=True)
            for line, mend in zip(check.doubts["line"], check.doubts["mend"], strict=True)
        }
        found = []
        for one in remarks(shots):
            where = shots.iloc[one.at]
            if (where["log"], where["line"], one.mend) in said:
                continue
            sheet = {"sheet": where["sheet"]} if pd.notna(where.get("sheet")) else {}
            place = {"log": where["log"], **sheet, "line": where["line"]}
            words = {"column": one.column, "value": "", "reason": one.reason, "mend": one.mend}
            found.append(pd.DataFrame([place | words]))
        return found

    def _notes_of(self, labelled: list[tuple[str, LogCheck]]) -> Iterator[str]:
        for label, check in labelled:
            if check.passed_over:
                names = ", ".join(map(shown_cell, check.passed_over))
                yield f"{label}: sheets passed over, as not a log: {names}."
            yield from (f"{label}: {note}" for note in check.notes)

    def _one_spelling(self) -> None:
        """Write every player as the first log that names the player does."""
        known: dict[str, str] = {}
        for at, shots in enumerate(self.shots):
            new = {str(name): str(name) for name in shots["player"].cat.categories}
            new |= {str(name): str(name) for name in shots["opponent"].cat.categories}
            new = {name: known.setdefault(name_key(name), name) for name in new}
            other = {name: to for name, to in new.items() if name != to}
            if other:
                rows = shots["player"].astype(str).value_counts()
                table = [("player", name, to, int(rows.get(name, 0))) for name, to in other.items()]
                columns = ["column", "found", "read_as", "rows"]
                self.folded.append(pd.DataFrame(table, columns=columns).assign(log=self.labels[at]))
                renamed = {name: shots[name].cat.rename_categories(new) for name in _NAMES}
                self.shots[at] = shots.assign(**renamed)

    def _matches(self) -> dict[str, list[_Held]]:
        found: dict[str, list[_Held]] = {}
        for at, shots in enumerate(self.shots):
            for name, own in shots.groupby("match", sort=False, observed=True):
                held = _held(at, str(name), own)
                found.setdefault(name_key(str(name)), []).append(held)
        return found

    def _settle(self, play: list[_Held], kept: list[Bools]) -> None:
        """Tell matches of one name apart, and leave out rallies that an earlier log holds."""
        if len(play) == 1:
            return
        typed = play[0].name
        groups: list[list[_Held]] = []
        for held in play:
            group = next((group for group in groups if any(map(held.is_also, group))), None)
            if group is None:
                groups.append([held])
            else:
                group.append(held)
        for group in groups:
            name = group[0].name
            if len(groups) > 1:
                name = f"{os.path.splitext(self.labels[group[0].at])[0]}: {name}"
                while any(name in shots["match"].cat.categories for shots in self.shots):
                    name += "*"  # somebody has given a match this very name
            for held in group:
                self._rename(held, name)
            self._leave_out(group, kept)
        if len(groups) > 1:
            names = [shown_cell(group[0].name) for group in groups]
            self.notes.append(
                f"Match {shown_cell(typed)} stands in "
                f"{', '.join(self.labels[held.at] for held in play)} with different play, and is "
                f"read as {len(groups)} matches: {', '.join(names)}. If it is one match, leave "
                "all but one of the logs out."
            )

    def _rename(self, held: _Held, name: str) -> None:
        if name != held.name:
            shots = self.shots[held.at]
            match = shots["match"].cat.rename_categories({held.name: name})
            self.shots[held.at] = shots.assign(match=match)
            held.name = name

    def _leave_out(self, group: list[_Held], kept: list[Bools]) -> None:
        first: dict[_Rally, int] = {}
        for held in group:
            held.left_out = {one: first[one] for one in held.rallies if one in first}
            first |= {one: held.at for one in held.rallies if one not in first}
            if held.left_out:
                self._refuse(held, kept)
        parts = [held for held in group if len(held.left_out) < len(held.rallies)]
        if len(parts) > 1:
            self._forget_score(parts)
            self.notes.append(
                f"Match {shown_cell(group[0].name)} stands in "
                f"{', '.join(self.labels[held.at] for held in parts)}, with other rallies in each, "
                "and is read as one. If these are several, give each its own name. The score is "
                "not known where an earlier log holds what went before."
            )

    def _refuse(self, held: _Held, kept: list[Bools]) -> None:
        shots = self.shots[held.at]
        mine = (shots["match"] == held.name).to_numpy()
        keys = list(zip(shots["game"].tolist(), shots["rally"].tolist(), strict=True))
        twice = mine & np.array([key in held.left_out for key in keys], dtype=bool)
        kept[held.at] &= ~twice
        where = [self.labels[held.left_out[keys[at]]] for at in np.flatnonzero(twice)]
        first = ~shots.loc[twice, ["game", "rally"]].duplicated().to_numpy()
        table = pd.DataFrame(
            {
                "log": self.labels[held.at],
                **({"sheet": shots.loc[twice, "sheet"]} if "sheet" in shots else {}),
                "line": shots.loc[twice, "line"],
                "column": "rally",
                "value": shots.loc[twice, "rally"].astype(str),
                "reason": [f"match {held.name!r} has this rally in {one} too" for one in where],
                "mend": "leave one of the logs out, or give the match a name of its own in one",
                "kind": np.where(first, RALLY, WITH_ITS_RALLY),
            }
        )
        self.problems.append(table)

    def _forget_score(self, parts: list[_Held]) -> None:
        """Blank the score of rallies whose earlier ones another log holds."""
        start = min(min(held.rallies) for held in parts)
        for held in parts:
            shots = self.shots[held.at]
            mine = (shots["match"] == held.name).to_numpy()
            games = {
                game
                for game, rally in held.rallies
                if any(
                    (game, earlier) in other.rallies
                    for other in parts
                    if other is not held
                    for earlier in range(1, rally)
                )
            }
            late = mine & (min(held.rallies) > start)
            within = mine & shots["game"].isin(games).to_numpy()
            for name in SCORES:
                if name in shots:
                    unknown = late if name.endswith("games") else within
                    shots = shots.assign(**{name: shots[name].mask(unknown)})
            self.shots[held.at] = shots

    def _below(self, kept: list[Bools]) -> pd.DataFrame:
        parts = [shots[own] for shots, own in zip(self.shots, kept, strict=True)]
        names = list(dict.fromkeys(name for part in parts for name in part.columns))
        names.insert(names.index("line"), names.pop(names.index("line")))
        columns: dict[str, Any] = {name: _column(name, parts) for name in names if name != "line"}
        at = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        columns["log"] = pd.Categorical.from_codes(at, categories=pd.Index(self.labels))
        columns["line"] = _column("line", parts)
        table = pd.DataFrame(columns)
        order = np.lexsort((table["shot"], table["rally"], table["game"], table["match"].cat.codes))
        return table.iloc[order].reset_index(drop=True)


def _held(at: int, name: str, own: pd.DataFrame) -> _Held:
    rallies = own.groupby(["game", "rally"], sort=False).agg(
        shots=("shot", "size"), server=("player", "first"), winner=("rally_won_by", "last")
    )
    known = {
        (int(game), int(rally)): (int(row[0]), str(row[1]), str(row[2]))
        for (game, rally), row in zip(rallies.index, rallies.to_numpy(), strict=True)
    }
    date = own["date"].iloc[0] if "date" in own else pd.NaT
    return _Held(at, name, frozenset(own["player"].astype(str)), date, known)


def _column(name: str, parts: list[pd.DataFrame]) -> Any:
    """One column of all parts; missing where a log does not have it."""
    known = next(part[name] for part in parts if name in part)
    if not isinstance(known.dtype, pd.CategoricalDtype):
        blank = pd.Series([None], dtype=known.dtype if known.dtype.kind in "fM" else "float64")
        values = [part[name] if name in part else blank.reindex([0] * len(part)) for part in parts]
        return pd.concat(values, ignore_index=True).to_numpy()
    words = pd.Index(VOCABULARY[name]) if name in VOCABULARY else known.cat.categories[:0]
    columns = [
        part[name].astype("category") if name in part else pd.Categorical([None] * len(part), words)
        for part in parts
    ]
    return pd.api.types.union_categoricals(columns)


def _named(
    labelled: list[tuple[str, LogCheck]],
    tables: list[pd.DataFrame],
    more: Sequence[pd.DataFrame] = (),
) -> pd.DataFrame:
    """Tables below one another, each with the name of its log."""
    named = [table.assign(log=label) for (label, _), table in zip(labelled, tables, strict=True)]
    filled = [table for table in (*named, *more) if len(table)] or named[:1]
    joined = pd.concat(filled, ignore_index=True)
    place = {label: at for at, (label, _) in enumerate(labelled)}
    joined = joined.iloc[np.argsort(joined["log"].map(place), kind="stable")]
    joined = joined.reset_index(drop=True)
    return joined[["log", *joined.columns.drop("log")]]
