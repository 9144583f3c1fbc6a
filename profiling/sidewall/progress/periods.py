"""Which matches of a player come before and which after."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame, names_of
from sidewall.errors import DataError
from sidewall.features.coded import need_columns, struck_by
from sidewall.log.dates import parse_dates


@dataclass(frozen=True)
class Periods:
    """Shots of a ladder without the player's matches of neither period, and the player's matches.

    `notes` say what was left out, and which opponents were met in one period only.
    """

    shots: pd.DataFrame
    before: list[str]
    after: list[str]
    notes: list[str]


def matches_by_date(
    shots: Table, player: str, change: dt.date | str
) -> tuple[list[str], list[str]]:
    """Split a player's matches at a date.

    Parameters
    ----------
    shots : DataFrame
        With a column ``date``.
    player : str
    change : date or str
        The first day of the period after, such as 2026-03-31.

    Returns
    -------
    before, after : list of str

    Raises
    ------
    DataError
        If there are no dates, one is missing or not understood, or the day given is none.

    See Also
    --------
    join_logs
    compare_periods

    Examples
    --------
    >>> dated = shots.assign(date=pd.Timestamp("2026-03-02"))
    >>> dated.loc[dated["match"] == "m03", "date"] = pd.Timestamp("2026-04-06")
    >>> sw.matches_by_date(dated, "Rowan", "2026-03-31")
    (['m01'], ['m03'])
    """
    shots = as_frame(shots)
    if "date" not in shots.columns:
        raise DataError(
            "the log has no column date; give matches a date (column date, or a table of "
            "matches), or name the matches of each period"
        )
    own = _matches_of(shots, player)
    said = shots.assign(match=shots["match"].astype(str)).drop_duplicates("match")
    days = _days(list(said.set_index("match")["date"].astype(object).reindex(own)))
    first = _days([change])[0]
    if first is None:
        raise DataError(f"{change!r} is no date; write it as year-month-day, such as 2026-03-31")
    undated = [match for match, day in zip(own, days, strict=True) if day is None]
    if undated:
        raise DataError(
            f"{player}'s match {undated[0]!r} has no date that can be read; write dates as "
            "year-month-day, or name the matches of each period"
        )
    pairs = [(match, day) for match, day in zip(own, days, strict=True) if day is not None]
    return [m for m, day in pairs if day < first], [m for m, day in pairs if day >= first]


def _days(values: list[object]) -> list[dt.date | None]:
    plain = [None if pd.isna(v) else v for v in values]  # type: ignore[call-overload]
    text = [v.isoformat()[:10] if isinstance(v, dt.date) else v for v in plain]
    return parse_dates(np.array(text, dtype=object))[0]


def join_logs(before: Table, after: Table) -> tuple[pd.DataFrame, dict[str, str], dict[str, str]]:
    """Put two logs of one ladder below each other.

    Parameters
    ----------
    before, after : DataFrame
        Canonical shot tables. Players of the same name are taken to be the same.

    Returns
    -------
    shots : DataFrame
        With the columns that both have. A match name that both use gets "before: " or
        "after: " put before it.
    names_before, names_after : dict of str to str
        Each match's new name by its old one.

    See Also
    --------
    compare_periods
    matches_by_date

    Examples
    --------
    >>> both, names_before, names_after = sw.join_logs(shots, shots)
    >>> names_before["m01"], names_after["m01"]
    ('before: m01', 'after: m01')
    """
    before = as_frame(before, "before")
    after = as_frame(after, "after")
    for log in (before, after):
        need_columns(log, ("match", "player", "opponent"))
    parts: list[pd.DataFrame] = []
    names: list[dict[str, str]] = []
    both = set(before["match"].astype(str)) & set(after["match"].astype(str))
    columns = [name for name in before.columns if name in after.columns]
    for which, log in (("before", before), ("after", after)):
        old = list(dict.fromkeys(log["match"].astype(str)))
        new = {name: f"{which}: {name}" if name in both else name for name in old}
        parts.append(log[columns].assign(match=log["match"].astype(str).map(new)))
        names.append(new)
    players = list(
        dict.fromkeys(
            str(name)
            for log in (before, after)
            for who in ("player", "opponent")
            for name in log[who].astype(str).unique()
        )
    )
    fixed: dict[str, list[str]] = {
        "match": [*names[0].values(), *names[1].values()],
        **dict.fromkeys(("player", "opponent", "rally_won_by"), players),
    }
    for name in columns:
        if name not in fixed and isinstance(before[name].dtype, pd.CategoricalDtype):
            words = [*before[name].cat.categories, *pd.Categorical(after[name]).categories]
            fixed[name] = list(dict.fromkeys(words))
    parts = [part.astype({n: object for n in fixed if n in columns}) for part in parts]
    shots = pd.concat(parts, ignore_index=True)
    for name, words in fixed.items():
        if name in columns:
            shots[name] = pd.Categorical(shots[name], categories=words)
    return shots, names[0], names[1]


def find_periods(
    shots: pd.DataFrame,
    player: str,
    before: Sequence[str] | None,
    after: Sequence[str] | None,
    later: pd.DataFrame | None,
    change: dt.date | str | None,
) -> Periods:
    """Find the periods from whichever way they were given.

    A DataError if they are given in two ways or none, overlap, name a match that there is not or
    that is not the player's, or one has no match.
    """
    if change is not None:
        if before is not None or after is not None or later is not None:
            raise DataError(
                "the periods are given twice: give the date of the change, or the matches, not both"
            )
        before, after = matches_by_date(shots, player, change)
    elif later is not None:
        shots, was, now = join_logs(shots, later)
        own = set(_matches_of(shots, player))
        mine = [[old for old, new in names.items() if new in own] for names in (was, now)]
        _known(before, list(was), player)
        _known(after, list(now), player)
        before = [was[name] for name in (mine[0] if before is None else before)]
        after = [now[name] for name in (mine[1] if after is None else after)]
    if before is None or after is None:
        raise DataError(
            "say which matches come before and which after: two lists of matches, the date of the "
            "change, or a second log"
        )
    return _checked(shots, player, list(names_of(before, "before")), list(names_of(after, "after")))


def _checked(shots: pd.DataFrame, player: str, before: list[str], after: list[str]) -> Periods:
    own = _matches_of(shots, player)
    _known([*before, *after], own, player)
    twice = sorted(set(before) & set(after))
    if twice:
        raise DataError(f"match {twice[0]!r} is in both periods; put it into one")
    for words, some in (("before", before), ("after", after)):
        if not some:
            raise DataError(f"no match of {player} comes {words}; there is nothing to compare")
    notes = []
    neither = [match for match in own if match not in {*before, *after}]
    if neither:
        notes.append(f"matches in neither period, left out: {', '.join(neither)}")
        shots = shots[~shots["match"].astype(str).isin(neither)].reset_index(drop=True)
    notes += _opponents(shots, player, before, after)
    return Periods(shots, before, after, notes)


def _known(some: Sequence[str] | None, there: list[str], player: str) -> None:
    strange = [str(match) for match in some or () if str(match) not in there]
    if strange:
        raise DataError(
            f"{player} has no match {strange[0]!r}; {player}'s matches: {', '.join(there)}"
        )


def _matches_of(shots: pd.DataFrame, player: str) -> list[str]:
    rows = struck_by(shots, player)
    if not rows.any():
        names = ", ".join(sorted(shots["player"].astype(str).unique()))
        raise DataError(f"no shot is by {player!r}; players of the log: {names}")
    return list(dict.fromkeys(shots.loc[rows, "match"].astype(str)))


def _opponents(shots: pd.DataFrame, player: str, before: list[str], after: list[str]) -> list[str]:
    own = shots[struck_by(shots, player)]
    match = own["match"].astype(str)
    met = [set(own.loc[match.isin(some), "opponent"].astype(str)) for some in (before, after)]
    if met[0] == met[1]:
        return []
    words = [", ".join(sorted(one - other)) for one, other in (met, met[::-1])]
    parts = [f"{who} only {when}" for who, when in zip(words, ("before", "after"), strict=True)
             if who]  # fmt: skip
    return [f"opponents differ ({'; '.join(parts)}): a change may be theirs"]
