"""What every shot added: the chance of winning after it, minus the chance before it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.features.coded import as_category
from sidewall.rallies.transitions import Transitions

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]


class PairIndex:
    """Ordered pairs (striker, opponent) that met, and which one each shot belongs to."""

    def __init__(self, moves: Transitions) -> None:
        players = len(moves.players)
        codes = moves.striker * players + moves.opponent
        pairs, self.of_shot = np.unique(codes, return_inverse=True)
        self.striker, self.opponent = np.divmod(pairs, players)
        # the same pair seen from the other side of the net
        back = self.opponent * players + self.striker
        self._facing = np.searchsorted(pairs, back).clip(max=len(pairs) - 1)
        self.mutual = pairs[self._facing] == back

    def values(self, chain: RallyChain, rows: Array) -> tuple[Array, Array]:
        """Chance of winning by pair and state: for the striker, and for the opponent."""
        own = chain.pair_values(rows, self.striker, self.opponent)
        if self.mutual.all():
            return own, own[..., self._facing, :]
        return own, chain.pair_values(rows, self.opponent, self.striker)


def before_and_after(
    chain: RallyChain, moves: Transitions, pairs: PairIndex, rows: Array
) -> tuple[Array, Array]:
    """Striker's chance of winning before and after each shot.

    After the last shot of a decided rally it is 1 or 0; after a let, and beside an
    unknown state, it is missing.
    """
    s = len(moves.states)
    own, facing = pairs.values(chain, rows)
    before = np.where(moves.start >= 0, own[pairs.of_shot, moves.start], np.nan)
    ends = np.array([1.0, 0.0, np.nan])
    end = np.clip(moves.target - s, 0, 2)
    state = np.clip(moves.target, 0, s - 1)
    after = np.where(moves.target >= s, ends[end], 1.0 - facing[pairs.of_shot, state])
    return before, np.where(moves.target >= 0, after, np.nan)


def shot_values(chain: RallyChain, moves: Transitions) -> pd.DataFrame:
    """Value of every shot; see :meth:`RallyChain.shot_values`."""
    before, after = before_and_after(chain, moves, PairIndex(moves), chain.rows_)
    state = as_category(moves.start, moves.states)
    return moves.table.assign(
        state=state, value_before=before, value_after=after, value=after - before
    )
