"""The value of the ball one exchange later: a result with less luck in it.

A shot's outcome is replaced by what the striker holds after the opponent's reply: 1 or 0
when the rally has ended by then, else the chain's chance of winning from the ball that
comes back. Its expectation given the shot is the chance of winning the rally, provided
that the chain's states carry what matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.rallies.chain import RallyChain
from sidewall.rallies.states import StateRule
from sidewall.rallies.transitions import Transitions, transitions

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Exchanges:
    """What stands one exchange after every shot, before the chain puts a value on it.

    Attributes
    ----------
    fixed : ndarray, shape (n,)
        1 or 0 where the rally has ended by then; else NaN.
    place : ndarray of int, shape (n,)
        ``pair * states + state`` of the ball that comes back to the striker; -1 where the
        rally has ended or a state is not known.
    """

    fixed: Array
    place: NDArray[np.int64]

    @classmethod
    def of(cls, moves: Transitions, pairs: NDArray[np.int64]) -> Exchanges:
        """Read them off the transitions.

        Parameters
        ----------
        moves : Transitions
        pairs : ndarray of int, shape (pairs,)
            Known pairs of striker and opponent, ``striker * players + opponent``, rising.

        Raises
        ------
        DataError
            When two players meet who did not meet before.
        """
        s, n = len(moves.states), len(moves.start)
        pair = np.searchsorted(pairs, moves.pair)
        if n and (pairs[np.minimum(pair, len(pairs) - 1)] != moves.pair).any():
            raise DataError("two players meet here who do not meet in the log of the values")
        own_end = moves.target - s  # 0 win, 1 lose, 2 let; negative while the rally goes on
        reply_end = np.append(own_end[1:], -1)
        ball = np.append(moves.start[2:], [-1, -1])[:n]
        ended = own_end >= 0
        reply_ended = ~ended & (reply_end >= 0)
        fixed = np.full(n, np.nan)
        fixed[ended] = np.array([1.0, 0.0, np.nan])[own_end[ended]]
        fixed[reply_ended] = np.array([0.0, 1.0, np.nan])[reply_end[reply_ended]]
        is_open = ~ended & ~reply_ended & (ball >= 0) & (moves.target >= 0)
        return cls(fixed, np.where(is_open, pair * s + ball, -1))

    def outcome(self, values: Array) -> Array:
        """Outcome of every shot under values of shape (pairs, states)."""
        at = self.place >= 0
        found = self.fixed.copy()
        found[at] = values.ravel()[self.place[at]]
        return found


@dataclass(frozen=True)
class PairValues:
    """What every ball is worth to every pair that met; all that judging a shot takes.

    Attributes
    ----------
    rule : StateRule
    players, states : list of str
    pairs : ndarray of int, shape (pairs,)
        ``striker * players + opponent``, rising.
    chances : ndarray, shape (pairs, states)
    """

    rule: StateRule
    players: list[str]
    states: list[str]
    pairs: NDArray[np.int64]
    chances: Array

    @classmethod
    def of(cls, chain: RallyChain, pairs: NDArray[np.int64]) -> PairValues:
        """Values under a fitted chain."""
        chances = chain.values_of_pairs(chain.rows_, pairs)
        return cls(chain.rule_, chain.players_, chain.states_, pairs, chances)

    def exchanges(self, table: pd.DataFrame) -> Exchanges:
        """What stands one exchange after every shot of whole rallies."""
        moves = transitions(table, self.rule, self.players, self.states)
        return Exchanges.of(moves, self.pairs)


class ExchangeValues:
    """Outcome of every shot one exchange later, and how it moves with the chain.

    Parameters
    ----------
    chain : RallyChain
        A fitted chain.
    moves : Transitions
        The shots, in the chain's states.

    Attributes
    ----------
    outcome : ndarray, shape (n,)
        Between 0 and 1; NaN where a let or an unknown state comes first.
    """

    def __init__(self, chain: RallyChain, moves: Transitions) -> None:
        self.chain = chain
        self._worth = PairValues.of(chain, np.unique(moves.pair))
        self._exchanges = Exchanges.of(moves, self._worth.pairs)
        self.outcome = self._exchanges.outcome(self._worth.chances)

    def draws(self, count: int, rng: np.random.Generator) -> list[Array]:
        """Outcomes under chains drawn from their posterior, minus the outcome itself."""
        chain = self.chain
        return [
            self._exchanges.outcome(chain.values_of_pairs(rows, self._worth.pairs)) - self.outcome
            for rows in chain.pooling_.draws(chain.counts_, count, rng)
        ]
