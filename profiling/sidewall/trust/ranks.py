"""Are a method's intervals right? Ranks of the truth among draws, over many simulations.

If the truth is drawn from the prior and the data from the truth, the truth's rank among
draws from the posterior is uniform (Cook, Gelman & Rubin 2006; Talts, Betancourt, Simpson,
Vehtari & Gelman 2018, arXiv:1804.06788). Intervals that are too short put it among the
extremes too often, too wide ones too seldom, and a bias leans it to one side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import Array
from sidewall.errors import DataError

Simulate = Callable[[np.random.Generator], tuple[Mapping[str, ArrayLike], Any]]
Estimate = Callable[[Any, int, np.random.Generator], Mapping[str, ArrayLike]]


def rank_of(truth: ArrayLike, draws: ArrayLike, rng: np.random.Generator) -> Array:
    """Count the draws below the truth; ties are broken at random.

    Parameters
    ----------
    truth : array-like, shape (...)
    draws : array-like, shape (L, ...)
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int64, shape (...)
        From 0 to L.
    """
    true, drawn = np.asarray(truth, dtype=float), np.asarray(draws, dtype=float)
    if drawn.shape[1:] != true.shape:
        raise DataError(
            f"truth has shape {true.shape} and draws {drawn.shape}: the draws need the truth's "
            "shape behind their first axis"
        )
    ties = (drawn == true).sum(axis=0)
    return np.asarray((drawn < true).sum(axis=0) + rng.integers(0, ties + 1), dtype=np.int64)


def simulation_ranks(
    simulate: Simulate,
    estimate: Estimate,
    simulations: int,
    *,
    draws: int = 99,
    seed: int | tuple[int, ...] = 0,
    first: int = 0,
) -> pd.DataFrame:
    """Draw a truth and data, estimate, and rank the truth; many times over.

    Parameters
    ----------
    simulate : callable
        Takes a Generator; returns the truth (name of a quantity -> array) and the data.
    estimate : callable
        Takes the data, a number of draws and a Generator; returns draws of every quantity
        from the method's error distribution, arrays of shape (draws, ...).
    simulations : int
    draws : int, default 99
        Draws to rank the truth among: 99 give the ranks 0 to 99.
    seed : int or tuple of int, default 0
        Simulation k has the random numbers of (seed, k), whatever ran before.
    first : int, default 0
        Number of the first simulation, to share the work among processes.

    Returns
    -------
    DataFrame
        ``simulation``, ``quantity``, ``position`` (within the quantity's array), ``rank``.
    """
    parts = []
    base = seed if isinstance(seed, tuple) else (seed,)
    for number in range(first, first + simulations):
        rng = np.random.default_rng([*base, number])
        truth, data = simulate(rng)
        drawn = estimate(data, draws, rng)
        for name, true in truth.items():
            ranks = np.atleast_1d(rank_of(true, drawn[name], rng)).ravel()
            parts.append(
                pd.DataFrame(
                    {
                        "simulation": number,
                        "quantity": name,
                        "position": np.arange(len(ranks)),
                        "rank": ranks,
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)
