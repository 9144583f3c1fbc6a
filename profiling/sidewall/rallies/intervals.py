"""Bootstrap intervals for the states of the chain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.rallies.absorbing import alternating_values, win_share
from sidewall.rallies.pooling import ladder_rows
from sidewall.rallies.resample import RallyBootstrap, percentile_limits

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]


def ladder_values(counts: Array) -> Array:
    """Value of every state between average players, shape (draws, s); missing if not met."""
    ladder = ladder_rows(counts)
    chances = alternating_values(ladder, ladder)[0]
    return np.where(ladder.sum(axis=-1) > 0, win_share(chances), np.nan)


def state_table(
    chain: RallyChain, draws: int, level: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Value and length of every state with intervals; see :meth:`RallyChain.state_values`."""
    moves = chain.moves()
    boot = RallyBootstrap(moves, chain.pooling_, draws, rng)
    s = len(moves.states)
    value, length = [], []
    for counts in boot.counts():
        ladder = ladder_rows(counts)
        reached = ladder.sum(axis=-1) > 0
        value.append(ladder_values(counts))
        left = np.linalg.solve(np.eye(s) - ladder[..., :s], np.ones((s, 1)))[..., 0]
        length.append(np.where(reached, left, np.nan))
    value_low, value_high = percentile_limits(np.concatenate(value), level)
    length_low, length_high = percentile_limits(np.concatenate(length), level)
    return pd.DataFrame(
        {
            "win_probability": chain.win_probability_,
            "win_low": value_low,
            "win_high": value_high,
            "expected_shots": chain.expected_shots_,
            "shots_low": length_low,
            "shots_high": length_high,
            "shots": chain.visits_,
        }
    )
