"""Two logs of the same matches side by side, shot by shot.

What it costs to take two charted shots, or two charted rallies, for the same one is counted
in units of one shot, or one rally, that only one charter has. A pair that costs less than two
is taken rather than two left-overs. The numbers are choices, not estimates:

- Shots of different players, and a serve and another shot, are never paired: the reader has
  made sure that the players alternate, so that this is never a slip of a single shot.
- Two shots by the same player whose words and gap all differ cost 1.9: still a pair, since
  two charters who have seen equally many shots have most likely seen the same ones.
- Side, stroke and gap weigh most. They are always charted, and gaps of successive balls
  differ by far more than two readings of one ball. Beyond half a metre a wider difference
  tells no more. What one of the two left blank costs nothing.
- Times tell most, where both have them: a player's strikes are two seconds and more apart,
  and charters type whole seconds. Two seconds off and anything else besides (0.5 or more)
  is another shot.
- Rallies weigh server, winner and ending, length, and how far the counts of strokes by
  player and side differ. Starts ten seconds apart are never one rally.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Table, as_frame
from sidewall.errors import DataError
from sidewall.features.coded import codes_of, need_columns
from sidewall.features.rallies import RallyRuns, rally_runs
from sidewall.log.vocabulary import SIDES, STROKES, VOCABULARY

_PAIR, _LEAVE_FIRST = 0, 1


def line_up(cost: Array, leave: float = 1.0) -> tuple[Array, Array]:
    """Align two sequences at least cost; positions in either, -1 where an item has no partner.

    Needleman & Wunsch 1970, Journal of Molecular Biology 48:443-453, as a dynamic programme over
    the rows of `cost`, (n, m); `leave` is the cost of an item without a partner. Within a row,
    ``D[j] = min(T[j], D[j - 1] + leave)`` is ``leave * j + min over i <= j of (T[i] - leave * i)``:
    a running minimum, so that a row is a few array operations. Of equally cheap ways a pair
    comes before two left-overs.
    """
    n, m = cost.shape
    step = leave * np.arange(m + 1)
    best = np.empty((n + 1, m + 1))
    best[0] = step
    for i in range(n):
        row = best[i] + leave
        np.minimum(row[1:], best[i, :-1] + cost[i], out=row[1:])
        best[i + 1] = step + np.minimum.accumulate(row - step)
    return _trace(best, cost, leave)


def _trace(best: Array, cost: Array, leave: float) -> tuple[Array, Array]:
    i, j = cost.shape
    pairs: list[tuple[int, int]] = []
    while i or j:
        ways = (
            best[i - 1, j - 1] + cost[i - 1, j - 1] if i and j else np.inf,
            best[i - 1, j] + leave if i else np.inf,
            best[i, j - 1] + leave if j else np.inf,
        )
        # sums of the same costs in another order may differ in their last digits
        way = next(k for k, value in enumerate(ways) if value <= min(ways) + 1e-9)
        take_first, take_second = way in (_PAIR, _LEAVE_FIRST), way != _LEAVE_FIRST
        i, j = i - take_first, j - take_second
        pairs.append((i if take_first else -1, j if take_second else -1))
    both = np.array(pairs[::-1], dtype=np.int64).reshape(-1, 2)
    return both[:, 0], both[:, 1]


#: Of leaving a shot, or a rally, without a partner.
LEAVE: Final = 1.0
_NEVER: Final = 10.0

_WORDS: Final = {"stroke": 0.5, "side": 0.5, "direction": 0.15, "contact": 0.15, "choice": 0.1}
_GAP, _GAP_WIDE_M = 0.5, 0.5
_TIME, _TIME_WIDE_S = 1.5, 2.0

_SERVER, _WINNER, _ENDING, _GAME = 1.0, 0.5, 0.25, 0.5
_LENGTH, _STROKES = 1.0, 1.5
_START, _START_WIDE_S = 3.0, 10.0


@dataclass(frozen=True)
class Charted:
    """One charter's match as codes: shots, (n,), and rallies, where each begins and ends.

    `words` are codes of the vocabulary, -1 where blank; `gap_m` and `t_s` NaN where not charted;
    `first`, `last`, `game` and `winner` of shape (rallies,).
    """

    player: Array
    words: dict[str, Array]
    gap_m: Array
    t_s: Array
    first: Array
    last: Array
    game: Array
    winner: Array

    @classmethod
    def of(cls, shots: pd.DataFrame, runs: RallyRuns, names: list[str]) -> Charted:
        """Code a match's shots; `names` are the players of both logs together."""
        winners = shots["rally_won_by"].iloc[runs.last]
        times = shots["t_s"] if "t_s" in shots else pd.Series(np.nan, shots.index)
        return cls(
            codes_of(shots["player"].astype(str), names),
            {c: codes_of(shots[c], VOCABULARY[c]) for c in VOCABULARY if c in shots},
            shots["gap_m"].to_numpy(dtype=float),
            times.to_numpy(dtype=float),
            runs.first,
            runs.last,
            shots["game"].to_numpy()[runs.first],
            codes_of(winners.astype(object).where(winners.notna(), None), names),
        )

    def strokes(self, players: int) -> Array:
        """Count strokes by player and side in each rally, shape (rallies, players * ...)."""
        side, stroke = (self.words[c] + 1 for c in ("side", "stroke"))
        kinds = (len(SIDES) + 1) * (len(STROKES) + 1)
        kind = (self.player * (len(SIDES) + 1) + side) * (len(STROKES) + 1) + stroke
        rally = np.repeat(np.arange(len(self.first)), self.last - self.first + 1)
        flat = np.bincount(
            rally * players * kinds + kind, minlength=len(self.first) * players * kinds
        )
        return flat.reshape(len(self.first), players * kinds)


def _differ(one: Array, two: Array) -> Array:
    """Whether each of `one` differs from each of `two`; no where either is blank (-1)."""
    a, b = one[:, None], two[None, :]
    return (a != b) & (a >= 0) & (b >= 0)


def _apart(one: Array, two: Array, wide: float) -> Array:
    """Distance as a share of `wide`, at most 1, and 0 where either is missing."""
    share = np.abs(one[:, None] - two[None, :]) / wide
    return np.minimum(np.nan_to_num(share, nan=0.0), 1.0)


def shot_costs(one: Charted, two: Charted, a: Array, b: Array, offset_s: float) -> Array:
    """Cost of every pair of shots `a`, `b` of two rallies, shape (shots of one, shots of two).

    `offset_s` is the clock of the second less that of the first; NaN leaves times out.
    """
    cost = _GAP * _apart(one.gap_m[a], two.gap_m[b], _GAP_WIDE_M)
    cost += _TIME * _apart(one.t_s[a] + offset_s, two.t_s[b], _TIME_WIDE_S)
    for column, weight in _WORDS.items():
        if column in one.words and column in two.words:
            cost += weight * _differ(one.words[column][a], two.words[column][b])
    serves = [charted.words["stroke"][rows] == 0 for charted, rows in ((one, a), (two, b))]
    never = (one.player[a][:, None] != two.player[b]) | (serves[0][:, None] != serves[1])
    return cost + _NEVER * never


def rally_costs(one: Charted, two: Charted, players: int, offset_s: float) -> Array:
    """Cost of every pair of rallies of a match, shape (rallies of one, rallies of two).

    `players` is how many names there are; `offset_s` as in :func:`shot_costs`.
    """
    lengths = [c.last - c.first + 1.0 for c in (one, two)]
    shots = lengths[0][:, None] + lengths[1]
    counts = one.strokes(players), two.strokes(players)
    unlike = np.zeros(shots.shape)
    for kind in np.flatnonzero(counts[0].any(axis=0) | counts[1].any(axis=0)):
        unlike += np.abs(counts[0][:, kind][:, None] - counts[1][:, kind])
    cost = _STROKES * unlike / shots
    cost += _LENGTH * np.abs(lengths[0][:, None] - lengths[1]) / np.maximum.outer(*lengths)
    cost += _SERVER * _differ(one.player[one.first], two.player[two.first])
    cost += _WINNER * _differ(one.winner, two.winner)
    cost += _ENDING * _differ(one.words["ending"][one.last], two.words["ending"][two.last])
    cost += _GAME * _differ(one.game, two.game)
    starts = one.t_s[one.first] + offset_s, two.t_s[two.first]
    return cost + _START * _apart(*starts, _START_WIDE_S)


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
    cost; the costs, and why, stand at the top of this module. Where both logs have
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

    See Also
    --------
    Agreement

    Notes
    -----
    Shots are paired partly by what is compared afterwards, so that where shots are missed
    agreement looks a little better than it is. With times in both logs this hardly matters.

    Examples
    --------
    >>> pairs = sw.align(shots, sw.simulate.second_charter(shots, miss=0.05, seed=1))
    >>> pairs["status"].unique().tolist()
    ['agreed', 'missed by second']
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
    # who only ever received has no row as the striker
    names, others = (
        sorted({*_names(shots, "player"), *_names(shots, "opponent")}) for shots in (one, two)
    )
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
