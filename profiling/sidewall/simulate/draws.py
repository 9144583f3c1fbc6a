"""Draw from tables of probabilities, row by row and all rows at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def pick(rng: np.random.Generator, cumulative: NDArray[np.float64]) -> NDArray[np.int64]:
    """Draw one index a row from rows of cumulative probabilities, shape (n, k)."""
    drawn: NDArray[np.int64] = (rng.random(len(cumulative))[:, None] > cumulative[:, :-1]).sum(
        axis=1
    )
    return drawn


def pick_from(rng: np.random.Generator, table: Any, *at: NDArray[Any]) -> NDArray[np.int64]:
    """Draw one index for each row from the row of weights that the row looks up.

    Parameters
    ----------
    rng : numpy.random.Generator
    table : array_like, shape (..., k)
        Weights along the last axis; they need not add up to 1.
    *at : ndarray, shape (n,)
        Positions on the other axes.
    """
    weights = np.asarray(table, dtype=float)
    share = np.cumsum(weights, axis=-1) / weights.sum(axis=-1, keepdims=True)
    return pick(rng, share[at])
