"""Absorbing Markov chains: exact results by linear algebra.

Source: Kemeny & Snell 1960, Finite Markov Chains, chapter 3; Grinstead & Snell,
Introduction to Probability, chapter 11.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array, Bools
from sidewall.errors import DataError


def never_absorbed(Q: ArrayLike) -> Bools:
    """Find transient states, (..., s), from which no absorbing state can be reached.

    What a row of Q, (..., s, s), lacks to 1 leads to absorption.
    """
    Q = np.asarray(Q, dtype=float)
    leads = Q > 0
    reaches = Q.sum(axis=-1) < 1.0 - 1e-12
    for _ in range(Q.shape[-1]):
        grown = reaches | (leads @ reaches[..., None])[..., 0]
        if (grown == reaches).all():
            break
        reaches = grown
    return ~reaches


def fundamental_matrix(Q: ArrayLike) -> Array:
    """Expected number of visits to each transient state, ``(I - Q)^-1``; row: where one starts.

    A DataError when some state never leads to an end; it is named by its position.
    """
    Q = np.asarray(Q, dtype=float)
    stuck = np.flatnonzero(never_absorbed(Q))
    if len(stuck):
        raise DataError(
            f"from state {', '.join(map(str, stuck))} the rally never ends; "
            "merge it with a state that does, or leave it out"
        )
    return np.linalg.inv(np.eye(len(Q)) - Q)


def alternating_values(one: Array, two: Array) -> tuple[Array, Array]:
    """Chances of winning and losing when two strikers alternate, (..., s, 2) for either striker.

    With W and L the chances that the striker wins and loses, w and l the parts decided by the
    stroke itself and T the moves to the opponent's states: ``W1 = w1 + T1 L2`` and
    ``L1 = l1 + T1 W2``, and the same with the two exchanged. Works on stacks of chains: rows of
    probabilities, (..., s, s + 3), of the opponent's next state, then win, lose, let. A let is
    the rest.
    """
    s = one.shape[-2]
    T1, T2 = one[..., :s], two[..., :s]
    b1, b2 = one[..., s : s + 2], two[..., s : s + 2]
    first = np.linalg.solve(np.eye(s) - T1 @ T2, b1 + T1 @ b2[..., ::-1])
    return first, b2 + T2 @ first[..., ::-1]


def win_share(chances: Array) -> Array:
    """P(win | decided) from chances of winning and losing; NaN where neither can be."""
    decided = chances.sum(axis=-1)
    share: Array = np.full(decided.shape, np.nan)
    np.divide(chances[..., 0], decided, out=share, where=decided > 0)
    return share
