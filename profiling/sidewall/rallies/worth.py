"""What every shot added: the chance of winning after it, minus the chance before it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.coded import as_category
from sidewall.rallies.transitions import Transitions

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]


def before_and_after(
    moves: Transitions, own: Array, facing: Array, which: NDArray[Any] | int = 0
) -> tuple[Array, Array]:
    """Striker's chance of winning before and after each shot.

    After the last shot of a decided rally it is 1 or 0; after a let, and beside an
    unknown state, it is missing.

    Parameters
    ----------
    moves : Transitions
    own, facing : ndarray, shape (tables, s)
        Value of every state to the striker, and to the opponent when it is his.
    which : ndarray of int, shape (n,), or 0
        The table of each shot.
    """
    s = len(moves.states)
    before = np.where(moves.start >= 0, own[which, moves.start], np.nan)
    ends = np.array([1.0, 0.0, np.nan])[np.clip(moves.target - s, 0, 2)]
    goes_on = 1.0 - facing[which, np.clip(moves.target, 0, s - 1)]
    after = np.where(moves.target >= s, ends, goes_on)
    return before, np.where(moves.target >= 0, after, np.nan)


def shot_values(chain: RallyChain, moves: Transitions, measure: str) -> pd.DataFrame:
    """Value of every shot; see :meth:`RallyChain.shot_values`."""
    if measure == "ladder":
        value = chain.win_probability_.to_numpy()[None]
        before, after = before_and_after(moves, value, value)
    elif measure == "pair":
        players = len(moves.players)
        pairs, which = np.unique(moves.striker * players + moves.opponent, return_inverse=True)
        one, two = np.divmod(pairs, players)
        own, facing = (chain.pair_values(chain.rows_, *pair) for pair in ((one, two), (two, one)))
        before, after = before_and_after(moves, own, facing, which)
    else:
        raise DataError(f"measure is {measure!r}; it must be 'ladder' or 'pair'")
    state = as_category(moves.start, moves.states)
    return moves.table.assign(
        state=state, value_before=before, value_after=after, value=after - before
    )
