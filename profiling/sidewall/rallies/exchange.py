"""The value of the ball one exchange later: a result with less luck in it.

A shot's outcome is replaced by what the striker holds after the opponent's reply: 1 or 0
when the rally has ended by then, else the chain's chance of winning from the ball that
comes back. Its expectation given the shot is the chance of winning the rally, provided
that the chain's states carry what matters.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidewall.rallies.chain import RallyChain
from sidewall.rallies.transitions import Transitions

Array = NDArray[np.float64]


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
        s, n = len(moves.states), len(moves.start)
        players = len(moves.players)
        pair = moves.striker * players + moves.opponent
        self._pairs, self._pair = np.unique(pair, return_inverse=True)
        own_end = moves.target - s  # 0 win, 1 lose, 2 let; negative while the rally goes on
        reply_end = np.append(own_end[1:], -1)
        ball = np.append(moves.start[2:], [-1, -1])[:n]
        ended = own_end >= 0
        reply_ended = ~ended & (reply_end >= 0)
        fixed = np.full(n, np.nan)
        fixed[ended] = np.array([1.0, 0.0, np.nan])[own_end[ended]]
        fixed[reply_ended] = np.array([0.0, 1.0, np.nan])[reply_end[reply_ended]]
        self._open = ~ended & ~reply_ended & (ball >= 0) & (moves.target >= 0)
        self._ball, self._fixed = ball, fixed
        self.outcome = self._with(chain.rows_)

    def _with(self, rows: Array) -> Array:
        one, two = np.divmod(self._pairs, len(self.chain.players_))
        values = self.chain.pair_values(rows, one, two)
        outcome = self._fixed.copy()
        at = self._open
        outcome[at] = values[self._pair[at], self._ball[at]]
        return outcome

    def draws(self, count: int, rng: np.random.Generator) -> list[Array]:
        """Outcomes under chains drawn from their posterior, minus the outcome itself."""
        rows = self.chain.pooling_.draw(self.chain.counts_, count, rng)
        return [self._with(one) - self.outcome for one in rows]
