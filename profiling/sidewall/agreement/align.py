"""Two logs of the same matches side by side, shot by shot."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.agreement.costs import LEAVE, Charted, rally_costs, shot_costs
from sidewall.agreement.sequence import line_up
from sidewall.arguments import Array, Table, as_frame
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.features.rallies import rally_runs
from sidewall.log.vocabulary import VOCABULARY

AGREED: Final = "agreed"
MISSED_BY_FIRST: Final = "missed by first"
MISSED_BY_SECOND: Final = "missed by second"
_STATUSES: Final = (AGREED, MISSED_BY_FIRST, MISSED_BY_SECOND)

#: Lengths that two charters may both have measured, in metres.
MEASURES: Final = ("gap_m", "x_m", "y_m", "bounce_x_m", "bounce_y_m")
_NUMBERS: Final = (*MEASURES, "t_s", "line")
_NEEDED: Final = ("match", "game", "rally", "shot", "player", "side", "stroke", "gap_m", "ending")
#: So few paired rallies say nothing about how far two clocks are apart.
_LEAST_FOR_CLOCK: Final = 5


def align(first: Table, second: Table) -> pd.DataFrame:
    """Find which shot of one log is which shot of the other.

    In every match that both have, rallies are lined up first, since either charter may have
    missed one, and then the shots within each pair of rallies. Both are alignments at least
    cost; :mod:`sidewall.agreement.costs` states the costs and why. Where both logs have
    times, clocks that differ by a constant are set alike.

    Parameters
    ----------
    first, second : DataFrame
        Canonical shot tables, as :func:`sidewall.read_shots` gives them. The match and the
        players must have the same names in both. Other matches are left out.

    Returns
    -------
    DataFrame
        One row a shot that either charter has, in order of play: ``match``; ``game``,
        ``rally``, ``shot_first`` of the first log and ``game_second``, ``rally_second``,
        ``shot_second`` (missing where it has no such shot); ``rally_pair`` (from 0, the
        rally as either or both saw it); ``player``; ``status`` (agreed, missed by first,
        missed by second); and for every column that both logs have, its value in either,
        such as ``stroke_first`` and ``stroke_second``, ``gap_m_first`` and ``gap_m_second``.

    Raises
    ------
    DataError
        If the logs have no match in common, a match has other players in one than in the
        other, a column is missing, or a rally is not whole.

    Notes
    -----
    Shots are paired partly by what is compared afterwards, so that where shots are missed
    agreement looks a little better than it is. With times in both logs this hardly matters.
    """
    first = as_frame(first, "first")
    second = as_frame(second, "second")
    for shots in (first, second):
        need_columns(shots, _NEEDED)
    common = [m for m in _names(first, "match") if m in set(_names(second, "match"))]
    if not common:
        found = ", ".join(_names(first, "match")), ", ".join(_names(second, "match"))
        raise DataError(
            f"The two logs have no match in common: the first has {found[0] or 'none'}, the "
            f"second {found[1] or 'none'}. Give the match the same name in both."
        )
    parts, pairs = [], 0
    for match in common:
        one = first[(first["match"] == match).to_numpy()].reset_index(drop=True)
        two = second[(second["match"] == match).to_numpy()].reset_index(drop=True)
        part = _align_match(one, two, match)
        part["rally_pair"] += pairs
        pairs = int(part["rally_pair"].max()) + 1
        parts.append(part)
    joined = pd.concat(parts, ignore_index=True)
    for column, categories in (("match", common), ("player", _names(joined, "player"))):
        joined[column] = pd.Categorical(joined[column], categories=categories)
    return joined


def _names(shots: pd.DataFrame, column: str) -> list[str]:
    return [str(name) for name in shots[column].dropna().unique()]


def _align_match(one: pd.DataFrame, two: pd.DataFrame, match: str) -> pd.DataFrame:
    names = sorted(_names(one, "player"))
    others = sorted(_names(two, "player"))
    if names != others:
        raise DataError(
            f"Match {match}: the players are {' and '.join(names)} in the first log and "
            f"{' and '.join(others)} in the second. Give them the same names in both."
        )
    a, b = (Charted.of(shots, rally_runs(shots), names) for shots in (one, two))
    rallies, offset = _rallies(a, b, len(names))
    first, second, pair = [], [], []
    for k, (i, j) in enumerate(zip(*rallies, strict=True)):
        rows = [
            np.arange(c.first[at], c.last[at] + 1) if at >= 0 else np.empty(0, dtype=np.int64)
            for c, at in ((a, i), (b, j))
        ]
        if i < 0 or j < 0:
            n = len(rows[0]) + len(rows[1])
            found = [r if len(r) else np.full(n, -1) for r in rows]
        else:
            cost = shot_costs(a, b, rows[0], rows[1], offset)
            found = [
                np.where(at >= 0, r[at], -1)
                for r, at in zip(rows, line_up(cost, LEAVE), strict=True)
            ]
        first.append(found[0])
        second.append(found[1])
        pair.append(np.full(len(found[0]), k))
    return _side_by_side(one, two, np.concatenate(first), np.concatenate(second), pair)


def _rallies(a: Charted, b: Charted, players: int) -> tuple[tuple[Array, Array], float]:
    """Rallies lined up, and the clock of the second log less that of the first or NaN."""
    found = line_up(rally_costs(a, b, players, float("nan")), LEAVE)
    both = (found[0] >= 0) & (found[1] >= 0)
    starts = b.t_s[b.first][found[1][both]] - a.t_s[a.first][found[0][both]]
    starts = starts[~np.isnan(starts)]
    if len(starts) < _LEAST_FOR_CLOCK:
        return found, float("nan")
    offset = float(np.median(starts))
    return line_up(rally_costs(a, b, players, offset), LEAVE), offset


def _side_by_side(
    one: pd.DataFrame, two: pd.DataFrame, first: Array, second: Array, pair: list[Array]
) -> pd.DataFrame:
    in_first = first >= 0
    status = np.select([in_first & (second >= 0), second >= 0], _STATUSES[:2], _STATUSES[2])
    player = [
        shots["player"].astype(str).to_numpy()[at] for shots, at in ((one, first), (two, second))
    ]
    columns: dict[str, Any] = {"match": str(one["match"].iloc[0])}
    for name in ("game", "rally"):
        columns[name] = _counts(one[name], first)
        columns[f"{name}_second"] = _counts(two[name], second)
    columns["rally_pair"] = np.concatenate(pair)
    columns["shot_first"] = _counts(one["shot"], first)
    columns["shot_second"] = _counts(two["shot"], second)
    columns["player"] = np.where(in_first, *player)
    columns["status"] = pd.Categorical(status, categories=list(_STATUSES))
    for name in (*VOCABULARY, *_NUMBERS):
        if name in one and name in two:
            for shots, at, whose in ((one, first, "first"), (two, second, "second")):
                columns[f"{name}_{whose}"] = _taken(shots[name], at)
    return pd.DataFrame(columns)


def _counts(values: pd.Series, at: Array) -> Any:
    """Whole numbers of the rows, missing where there is no row."""
    return pd.arrays.IntegerArray(values.to_numpy(dtype=np.int64)[at], at < 0)


def _taken(values: pd.Series, at: Array) -> Any:
    if values.dtype == np.int64:
        return _counts(values, at)
    if str(values.name) in VOCABULARY:
        words = pd.Categorical(values, categories=list(VOCABULARY[str(values.name)]))
        return words.take(at, allow_fill=True)
    return np.where(at >= 0, values.to_numpy(dtype=float)[at], np.nan)
