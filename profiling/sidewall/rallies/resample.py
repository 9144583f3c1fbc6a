"""Rally bootstrap: draw rallies again, within each match, and count anew."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidewall.rallies.pooling import Pooling
from sidewall.rallies.transitions import Transitions

Array = NDArray[Any]

_CHUNK_CELLS = 20_000_000


def rally_weights(match_of_rally: NDArray, draws: int, rng: np.random.Generator) -> Array:
    """How often each rally is drawn, shape (draws, rallies).

    Rallies are drawn with replacement within their match, so that every match keeps its
    number of rallies; whole rallies, since shots of one rally belong together.
    """
    weights = np.empty((draws, len(match_of_rally)))
    for match in np.unique(match_of_rally):
        rallies = np.flatnonzero(match_of_rally == match)
        n = len(rallies)
        weights[:, rallies] = rng.multinomial(n, np.full(n, 1.0 / n), size=draws)
    return weights


def percentile_limits(draws: Array, level: float) -> tuple[Array, Array]:
    """Percentile interval over the first axis, missing values apart."""
    tails = [50.0 * (1.0 - level), 50.0 * (1.0 + level)]
    some = ~np.isnan(draws).all(axis=0)
    low, high = np.full((2, *draws.shape[1:]), np.nan)
    if some.any():
        low[some], high[some] = np.nanpercentile(draws[:, some], tails, axis=0)
    return low, high


def _without_loops(counts: Array) -> Array:
    """Empty the rows of states that a draw only ever leads back to themselves.

    Their way out was not drawn; as rows they would mean a rally that never ends.
    """
    total = counts.sum(axis=-3)
    diagonal = np.einsum("...kk->...k", total[..., : total.shape[-2]])
    loops = (diagonal > 0) & (diagonal == total.sum(axis=-1))
    return np.where(loops[..., None, :, None], 0.0, counts)


class RallyBootstrap:
    """Resampled chains of one log.

    Parameters
    ----------
    moves : Transitions
    pooling : Pooling
        Strengths of the priors, kept as they were estimated.
    draws : int
    rng : numpy.random.Generator
    """

    def __init__(
        self, moves: Transitions, pooling: Pooling, draws: int, rng: np.random.Generator
    ) -> None:
        rallies, self.rally = np.unique(moves.rally, return_inverse=True)
        match = moves.table["match"].astype(str).to_numpy()
        first = np.zeros(len(rallies), dtype=int)
        first[self.rally[::-1]] = np.arange(len(match))[::-1]
        match_code = np.unique(match[first], return_inverse=True)[1]
        self.weights = rally_weights(match_code, draws, rng)
        self._moves, self._pooling = moves, pooling

    def _counts_by_rally(self) -> tuple[Any, tuple[int, int, int]]:
        from scipy import sparse  # noqa: PLC0415 - slow to load

        moves = self._moves
        s, players = len(moves.states), len(moves.players)
        known = moves.known
        column = (moves.striker * s + moves.start) * (s + 3) + moves.target
        shape = (players, s, s + 3)
        ones = np.ones(int(known.sum()))
        table = sparse.csr_matrix(
            (ones, (self.rally[known], column[known])),
            shape=(self.weights.shape[1], players * s * (s + 3)),
        )
        return table, shape

    def counts(self) -> Iterator[Array]:
        """Resampled transition counts in chunks of draws, (some, players, s, s + 3)."""
        table, shape = self._counts_by_rally()
        step = max(1, _CHUNK_CELLS // int(np.prod(shape)))
        for at in range(0, len(self.weights), step):
            some = self.weights[at : at + step]
            yield _without_loops(np.asarray(some @ table).reshape(len(some), *shape))

    def rows(self) -> Iterator[Array]:
        """Each draw's pooled transition rows, (players, s, s + 3)."""
        for chunk in self.counts():
            yield from self._pooling.rows(chunk)

    def shot_weights(self, draw: int) -> Array:
        """How often each shot counts in a draw, shape (n,)."""
        return self.weights[draw, self.rally]
