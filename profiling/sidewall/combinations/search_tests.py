"""Is a sequence more than its parts: does it occur more often, and does it win more?

Both tests add up the rallies, whose shots belong together, before squaring.

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

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sidewall.combinations.sequences import Candidates, FirstOrder, Letters, occurrences

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    n_other: Ints
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
    """Compare the occurrences of each sequence with what its parts predict.

    Parameters
    ----------
    letters : Letters
    found : Candidates
    order : FirstOrder
        Counts of the same letters.
    """
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

    Returns
    -------
    weights : sparse matrix, shape (m, 2 k k + 2 k)
        Columns as in `_rally_counts`.
    inverse : ndarray, shape (m,)
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
    return Winning(rate, other, np.where(enough, error, np.nan), (n_all - n).astype(np.int64), p)
