"""Bootstrap intervals of one player's chain, of a pair's, and of transition rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.rallies.absorbing import alternating_values, win_share
from sidewall.rallies.intervals import percentile_limits
from sidewall.rallies.pooling import ladder_rows
from sidewall.rallies.resample import RallyBootstrap

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

__all__ = ["row_limits", "shown_rows", "shown_values"]

Array = NDArray[Any]


def shown_rows(chain: RallyChain, player: str | None) -> tuple[Array, NDArray[np.int64]]:
    """Transition rows, shape (s, s + 3), and the shots behind each, shape (s,)."""
    if player is None:
        chain._need_fit()
        return chain.transition_.to_numpy(), chain.visits_.to_numpy()
    at = chain.position(player)
    return chain.rows_[at], chain.counts_[at].sum(axis=1).astype(np.int64)


def shown_values(
    chain: RallyChain, player: str | None, draws: int, level: float, seed: int = 0
) -> pd.DataFrame:
    """State values with intervals: between average players, or of one against the average.

    Returns
    -------
    DataFrame
        As :meth:`RallyChain.state_values`.
    """
    if player is None:
        return chain.state_values(draws, level, seed)
    at = chain.position(player)
    table = chain.pair(player)
    value, length = [], []
    for counts in _counts(chain, draws, seed):
        ladder = ladder_rows(counts)
        mine = chain.pooling_.rows(counts)[:, at]
        value.append(win_share(alternating_values(mine, ladder)[0]))
        length.append(_lengths(mine, ladder))
    win_low, win_high = percentile_limits(np.concatenate(value), level)
    shots_low, shots_high = percentile_limits(np.concatenate(length), level)
    limits = {
        "win_low": win_low,
        "win_high": win_high,
        "shots_low": shots_low,
        "shots_high": shots_high,
    }
    return table.assign(**limits)


def row_limits(
    chain: RallyChain, player: str | None, draws: int, level: float, seed: int = 0
) -> tuple[Array, Array]:
    """Ends of the intervals of transition rows, each of shape (s, s + 3)."""
    at = None if player is None else chain.position(player)
    again = [
        ladder_rows(counts) if at is None else chain.pooling_.rows(counts)[:, at]
        for counts in _counts(chain, draws, seed)
    ]
    return percentile_limits(np.concatenate(again), level)


def _counts(chain: RallyChain, draws: int, seed: int) -> Iterator[Array]:
    rng = np.random.default_rng(seed)
    return RallyBootstrap(chain.moves(), chain.pooling_, draws, rng).counts()


def _lengths(mine: Array, theirs: Array) -> Array:
    """Shots left from the striker's balls, (draws, s); NaN where a draw never met the ball."""
    s = mine.shape[-2]
    ones = np.ones((s, 1))
    T1, T2 = mine[..., :s], theirs[..., :s]
    left = np.linalg.solve(np.eye(s) - T1 @ T2, ones + T1 @ ones)[..., 0]
    return np.where(theirs.sum(axis=-1) > 0, left, np.nan)
