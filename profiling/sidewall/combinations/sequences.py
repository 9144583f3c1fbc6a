"""Shots of a rally as letters: which words of them occur more than their parts, and win more.

A sequence ends with an own shot of the player, since that is what the player chooses; going
back from it, replies and own shots take turns. Both tests add up the rallies, whose shots belong
together, before squaring.

Frequency: a sequence s1 ... sL is expected E = n1 m1/n1 m2/n2 ... times, n_k counting the shots
s_k and m_k those followed by s_(k+1), by who struck. ``z = (O - E) / sqrt(V)``. By the delta
method a rally with o occurrences and counts m_k' and n_k' adds::

    U = o - E (sum over k = 1 ... L-1 of m_k' / m_k  -  sum over k = 2 ... L-1 of n_k' / n_k)

and V is the larger of the sum of U^2 over rallies and of what it would be if shots were
drawn one by one, ``E (1 - E (sum 1 / m_k - sum 1 / n_k))``, which for three shots is the
variance of a hypergeometric count.

Winning: rallies won after the sequence against those won after other sequences that end with
the same two shots (reply and own shot) of the same player: the difference over its standard
error when both win alike (a score test).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from sidewall.arguments import Bools, Floats, Ints
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.log.vocabulary import VOCABULARY


@dataclass(frozen=True)
class Letters:
    """A log (or half of one) as letters, shot by shot, shape (n,); `names` says them in words.

    `position` and `left` count the shots of the rally before this one and after it; `won` is 1.0 if
    the striker won the rally, 0.0 if not, NaN for a let.
    """

    code: Ints
    names: list[str]
    player: Ints
    opponent: Ints
    rally: Ints
    position: Ints
    left: Ints
    won: Floats
    players: int

    def of_rallies(self, kept: Bools) -> Letters:
        """The same for some rallies, given by a flag for each."""
        rows = kept[self.rally]
        of_shots = ("code", "player", "opponent", "rally", "position", "left", "won")
        return replace(self, **{name: getattr(self, name)[rows] for name in of_shots})


def letters_of(columns: ShotColumns, by: Sequence[str]) -> Letters:
    """Turn every shot into a letter: the words of the given columns, each one of the vocabulary."""
    shots = columns.shots
    code = np.zeros(len(shots), dtype=np.int64)
    parts = []
    for name in by:
        if name not in VOCABULARY:
            raise DataError(f"by: {name!r} is no column of words; use {', '.join(VOCABULARY)}.")
        if name not in shots.columns:
            raise DataError(
                f"The log has no column {name} to tell shots apart by: chart it, or leave it out."
            )
        words = VOCABULARY[name]
        found = pd.Categorical(shots[name], categories=list(words)).codes.astype(np.int64)
        code = code * (len(words) + 1) + found + 1
        parts.append(("", *(word.replace("_", " ") for word in words)))
    met, code = np.unique(code, return_inverse=True)
    names = []
    for letter in met:
        said, rest = [], int(letter)
        for words in reversed(parts):
            rest, at = divmod(rest, len(words))
            said.append(words[at])
        names.append(" ".join(word for word in said if word) or "not charted")
    winner = columns.winner[columns.runs.of_shot]
    won = np.where(winner < 0, np.nan, (winner == columns.player).astype(np.float64))
    return Letters(
        code.astype(np.int64),
        names,
        columns.player,
        columns.opponent,
        columns.runs.of_shot,
        columns.position,
        columns.left,
        won,
        len(columns.names),
    )


@dataclass(frozen=True)
class FirstOrder:
    """How each shot follows the one before, by player.

    ``starts[r]`` counts letters, ``moves[r]`` letters followed by letters, both by player;
    r is 0 where the first of the two is the player's own, 1 where it is the opponent's.
    Shapes (2, players, k) and (2, players, k, k). ``share`` is moves over starts: what is
    missing from 1 is the rallies that ended there.
    """

    starts: Floats
    moves: Floats

    @property
    def share(self) -> Floats:
        """Share of each move among all shots of its first letter."""
        return self.moves / np.maximum(self.starts, 1.0)[..., None]


def first_order(letters: Letters) -> FirstOrder:
    """Count letters and moves, each rally seen from both of its players."""
    k, players = len(letters.names), letters.players
    on = np.flatnonzero(letters.left > 0)
    starts, moves = [], []
    for who in (letters.player, letters.opponent):
        starts.append(np.bincount(who * k + letters.code, minlength=players * k))
        cell = (who[on] * k + letters.code[on]) * k + letters.code[on + 1]
        moves.append(np.bincount(cell, minlength=players * k * k))
    return FirstOrder(
        np.array(starts, dtype=np.float64).reshape(2, players, k),
        np.array(moves, dtype=np.float64).reshape(2, players, k, k),
    )


@dataclass(frozen=True)
class Candidates:
    """Sequences of one length: letters, (m, length), the last of them the player's own shot.

    `chance`, (m,), is the product of the conditional shares: how often the first letter is followed
    by the others if each shot follows from the one before alone; `starts`, (m,), how often the
    first was played.
    """

    player: Ints
    code: Ints
    chance: Floats
    starts: Floats

    @property
    def expected(self) -> Floats:
        """Expected number of occurrences."""
        return self.starts * self.chance


def candidates(
    order: FirstOrder, length: int, least: float, player: int | None = None
) -> Candidates:
    """Every sequence that is expected to occur often enough, whether or not it did.

    The choice rests on the counts of pairs alone, so it does not favour sequences that
    happened to occur more often than their parts predict.

    """
    share = order.share
    role = (length - 1) % 2  # who strikes first, so that the last shot is the player's own
    many = order.starts[role] >= least
    if player is not None:
        many &= (np.arange(many.shape[0]) == player)[:, None]
    who, letter = np.nonzero(many)
    code, chance, starts = letter[:, None], np.ones(len(who)), order.starts[role][who, letter]
    for step in range(length - 1):
        following = share[(role + step) % 2][who, code[:, -1]]
        reach = chance[:, None] * following
        row, letter = np.nonzero(starts[:, None] * reach >= least)
        who, starts, chance = who[row], starts[row], reach[row, letter]
        code = np.column_stack([code[row], letter])
    return Candidates(who.astype(np.int64), code.astype(np.int64), chance, starts)


def sequence_keys(player: Ints, code: Ints, letters: int) -> Ints:
    """One integer for each (player, sequence)."""
    key = player.astype(np.int64)
    for column in code.T:
        key = key * letters + column
    return key


def occurrences(letters: Letters, found: Candidates) -> tuple[Ints, Ints]:
    """Rows at which a candidate ends, and which candidate it is, rows rising."""
    length, k = found.code.shape[1], len(letters.names)
    row = np.flatnonzero(letters.position >= length - 1)
    shifted = np.column_stack([letters.code[row - length + 1 + j] for j in range(length)])
    key = sequence_keys(letters.player[row], shifted, k)
    wanted = sequence_keys(found.player, found.code, k)
    order = np.argsort(wanted)
    if not len(wanted):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    at = np.minimum(np.searchsorted(wanted, key, sorter=order), len(wanted) - 1)
    which = order[at]
    hit = wanted[which] == key
    return row[hit], which[hit]


@dataclass(frozen=True)
class Frequency:
    """Occurrences, expected occurrences, and the two-sided p-value; shapes (m,)."""

    n: Ints
    rallies: Ints
    expected: Floats
    p: Floats


@dataclass(frozen=True)
class Winning:
    """Win rates after the sequence and after the others, their difference; shapes (m,)."""

    rate: Floats
    other_rate: Floats
    standard_error: Floats
    p: Floats


def _pair_sums(which: Ints, rally: Ints, weight: Floats) -> tuple[Ints, Ints, Floats]:
    """Sums by (sequence, rally): sequence, rally and sum of each pair that occurs."""
    span = int(rally.max(initial=0)) + 1
    pair, of = np.unique(which * span + rally, return_inverse=True)
    sums = np.bincount(of, weight, minlength=len(pair)).astype(np.float64)
    return pair // span, pair % span, sums


def _look_up(keys: Ints, values: Floats, wanted: Ints) -> Floats:
    """Value of each wanted key; 0 where there is none. Keys rising."""
    if not len(keys):
        return np.zeros(len(wanted))
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return np.where(keys[at] == wanted, values[at], 0.0)


def frequency(letters: Letters, found: Candidates, order: FirstOrder) -> Frequency:
    """Compare the occurrences of each sequence with what its parts, counted in `order`, predict."""
    m = len(found.player)
    row, which = occurrences(letters, found)
    sequence, rally, count = _pair_sums(which, letters.rally[row], np.ones(len(row)))
    n = np.bincount(sequence, count, minlength=m)
    expected = found.expected
    parts, inverse = _parts(found, order)
    alone = expected * (1.0 - expected * inverse)
    robust = _robust_variance(letters, found, (sequence, rally, count), parts)
    variance = np.maximum(np.maximum(robust, alone), 0.0)
    z = np.divide(n - expected, np.sqrt(variance), out=np.zeros(m), where=variance > 0)
    return Frequency(
        n.astype(np.int64),
        np.bincount(sequence, minlength=m).astype(np.int64),
        expected,
        2.0 * ndtr(-np.abs(z)),
    )


def _parts(found: Candidates, order: FirstOrder) -> tuple[Any, Floats]:
    """Weights of a rally's moves and letters in its share of E, and their plain sum.

    The weights are sparse, (m, 2 k k + 2 k), with columns as in `_rally_counts`; the sum, (m,), is
    ``sum 1 / m_k - sum 1 / n_k``.
    """
    from scipy import sparse  # noqa: PLC0415 - slow to load

    m, length = found.code.shape
    k = order.starts.shape[-1]
    first = (length - 1) % 2
    weights, inverse = sparse.csr_matrix((m, 2 * k * k + 2 * k)), np.zeros(m)
    every = np.arange(m)

    def add(column: Ints, number: Floats, sign: float) -> None:
        nonlocal weights
        value = np.divide(sign, number, out=np.zeros(m), where=number > 0)
        weights = weights + sparse.csr_matrix((value, (every, column)), shape=weights.shape)
        inverse[:] += value

    for step in range(length - 1):
        role, a, b = (first + step) % 2, found.code[:, step], found.code[:, step + 1]
        add((role * k + a) * k + b, order.moves[role][found.player, a, b], 1.0)
        if step > 0:
            add(2 * k * k + role * k + a, order.starts[role][found.player, a], -1.0)
    return weights, inverse


def _rally_counts(letters: Letters) -> Any:
    """Moves and letters of every rally as either player lived it.

    Sparse, (rallies * players, 2 k k + 2 k): moves by role of the first striker and the two
    letters, then letters by role.
    """
    from scipy import sparse  # noqa: PLC0415 - slow to load

    k, players = len(letters.names), letters.players
    on = np.flatnonzero(letters.left > 0)
    rows, columns = [], []
    for role, who in enumerate((letters.player, letters.opponent)):
        unit = letters.rally * players + who
        rows += [unit[on], unit]
        columns += [
            (role * k + letters.code[on]) * k + letters.code[on + 1],
            2 * k * k + role * k + letters.code,
        ]
    row, column = np.concatenate(rows), np.concatenate(columns)
    units = (int(letters.rally.max(initial=0)) + 1) * players
    shape = (units, 2 * k * k + 2 * k)
    return sparse.csr_matrix((np.ones(len(row)), (row, column)), shape=shape)


def _robust_variance(
    letters: Letters, found: Candidates, occurred: tuple[Ints, Ints, Floats], parts: Any
) -> Floats:
    """Sum of U^2 over rallies, multiplied out so that rallies need not be listed."""
    from scipy import sparse  # noqa: PLC0415 - slow to load

    sequence, rally, count = occurred
    m, expected = len(found.player), found.expected
    counts = _rally_counts(letters)
    unit = rally * letters.players + found.player[sequence]
    occurs = sparse.csr_matrix((count, (sequence, unit)), shape=(m, counts.shape[0]))
    cross = np.asarray((occurs @ counts).multiply(parts).sum(axis=1)).ravel()
    square = np.zeros(m)
    units = np.arange(counts.shape[0]) % letters.players
    for player in np.unique(found.player):
        own, mine = counts[units == player], found.player == player
        weights = parts[mine]
        square[mine] = np.asarray((weights @ (own.T @ own)).multiply(weights).sum(axis=1)).ravel()
    total = np.bincount(sequence, count**2, minlength=m)
    return np.asarray(total - 2.0 * expected * cross + expected**2 * square)


def winning(letters: Letters, found: Candidates, least: int) -> Winning:
    """Compare winning after each sequence with winning after others of the same last two shots.

    Parameters
    ----------
    least : int
        Fewest rallies on either side for a test; missing with fewer.
    """
    m, k = len(found.player), len(letters.names)
    row, which = occurrences(letters, found)
    decided = ~np.isnan(letters.won[row])
    row, which = row[decided], which[decided]
    # every moment that ends with two given shots
    ends = np.flatnonzero((letters.position >= 1) & ~np.isnan(letters.won))
    key = (letters.player[ends] * k + letters.code[ends - 1]) * k + letters.code[ends]
    pairs, of = np.unique(key, return_inverse=True)
    n_pair = np.bincount(of).astype(np.float64)
    mean = np.bincount(of, letters.won[ends]) / n_pair
    own = (found.player * k + found.code[:, -2]) * k + found.code[:, -1]
    at = np.minimum(np.searchsorted(pairs, own), max(len(pairs) - 1, 0))
    there = pairs[at] == own if len(pairs) else np.zeros(m, dtype=bool)
    n_all = np.where(there, n_pair[at], 0.0) if len(pairs) else np.zeros(m)
    share = np.where(there, mean[at], np.nan) if len(pairs) else np.full(m, np.nan)

    n = np.bincount(which, minlength=m).astype(np.float64)
    hits = np.bincount(which, letters.won[row], minlength=m)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate, other = hits / n, (n_all * share - hits) / (n_all - n)
    pair_of, pair_rally, pair_sum = _pair_sums(
        of, letters.rally[ends], letters.won[ends] - mean[of]
    )
    span = int(letters.rally.max(initial=0)) + 1
    pair_squares = np.bincount(pair_of, pair_sum**2, minlength=len(pairs))
    excess = letters.won[row] - share[which]
    sequence, rally, own_sum = _pair_sums(which, letters.rally[row], excess)
    in_rally = _look_up(pair_of * span + pair_rally, pair_sum, at[sequence] * span + rally)
    rallies = np.bincount(sequence, minlength=m).astype(np.float64)
    all_rallies = np.bincount(pair_of, minlength=len(pairs)).astype(np.float64)
    other_rallies = (all_rallies[at] if len(pairs) else np.zeros(m)) - rallies
    with np.errstate(invalid="ignore", divide="ignore"):
        c, b = 1.0 / n + 1.0 / (n_all - n), 1.0 / (n_all - n)
        square = (
            c**2 * np.bincount(sequence, own_sum**2, minlength=m)
            - 2.0 * c * b * np.bincount(sequence, own_sum * in_rally, minlength=m)
            + b**2 * (pair_squares[at] if len(pairs) else 0.0)
        )
        error = np.sqrt(np.maximum(square, 0.0) * rallies / (rallies - 1.0))
        z = np.abs(rate - other) / error
    enough = there & (rallies >= least) & (other_rallies >= least) & (error > 0)
    p = np.full(m, np.nan)
    p[enough] = 2.0 * ndtr(-z[enough])
    return Winning(rate, other, np.where(enough, error, np.nan), p)
