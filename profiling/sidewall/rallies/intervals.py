"""Rallies drawn again, and the intervals of the chain that rest on them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Array, Ints, check_fitted
from sidewall.rallies.absorbing import alternating_values, never_absorbed, win_share
from sidewall.rallies.pooling import Pooling, ladder_rows
from sidewall.rallies.transitions import Transitions

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain


_CHUNK_CELLS = 20_000_000


def rally_weights(match_of_rally: NDArray, draws: int, rng: np.random.Generator) -> Array:
    """How often each rally is drawn, shape (draws, rallies).

    Rallies are drawn with replacement within their match, so that every match keeps its
    number of rallies; whole rallies, since shots of one rally belong together.
    """
    # column by column: a sparse table is multiplied from this side without a copy
    weights = np.empty((draws, len(match_of_rally)), order="F")
    for match in np.unique(match_of_rally):
        rallies = np.flatnonzero(match_of_rally == match)
        n = len(rallies)
        weights[:, rallies] = rng.multinomial(n, np.full(n, 1.0 / n), size=draws)
    return weights


def deviation(draws: Array) -> Array:
    """Standard deviation over the first axis, missing values apart; missing for fewer than two."""
    known = ~np.isnan(draws)
    n = known.sum(axis=0)
    from_mean = np.where(known, draws, 0.0)
    from_mean = np.where(known, draws - from_mean.sum(axis=0) / np.maximum(n, 1), 0.0)
    variance = (from_mean**2).sum(axis=0) / np.maximum(n - 1, 1)
    return np.where(n > 1, np.sqrt(variance), np.nan)


def percentile_limits(draws: Array, level: float) -> tuple[Array, Array]:
    """Percentile interval over the first axis, missing values apart."""
    tails = [50.0 * (1.0 - level), 50.0 * (1.0 + level)]
    some = ~np.isnan(draws).all(axis=0)
    low, high = np.full((2, *draws.shape[1:]), np.nan)
    if some.any():
        low[some], high[some] = np.nanpercentile(draws[:, some], tails, axis=0)
    return low, high


def _without_loops(counts: Array) -> Array:
    """Empty the rows of states that a draw only ever leads to one another.

    Their way out was not drawn; as rows they would mean a rally that never ends.
    """
    loops = never_absorbed(ladder_rows(counts)[..., : counts.shape[-2]])
    return np.where(loops[..., None, :, None], 0.0, counts)


class RallyBootstrap:
    """Resampled chains of one log; the strengths of the priors are kept as they were estimated."""

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
        left = np.linalg.solve(np.eye(s) - ladder[..., :s], np.ones((*ladder.shape[:-1], 1)))[
            ..., 0
        ]
        length.append(np.where(reached, left, np.nan))
    value_low, value_high = percentile_limits(np.concatenate(value), level)
    length_low, length_high = percentile_limits(np.concatenate(length), level)
    return pd.DataFrame(
        {
            "win_probability": chain.win_probability_,
            "win_probability_low": value_low,
            "win_probability_high": value_high,
            "expected_shots": chain.expected_shots_,
            "expected_shots_low": length_low,
            "expected_shots_high": length_high,
            "n_shots": chain.visits_,
        }
    )


def shown_rows(chain: RallyChain, player: str | None) -> tuple[Array, Ints]:
    """Transition rows, shape (s, s + 3), and the shots behind each, shape (s,)."""
    check_fitted(chain, "RallyChain", "chain")
    if player is None:
        return chain.transition_.to_numpy(), chain.visits_.to_numpy()
    at = chain.position(player)
    return chain.rows_[at], chain.counts_[at].sum(axis=1).astype(np.int64)


def shown_values(chain: RallyChain, player: str | None, draws: int, level: float) -> pd.DataFrame:
    """State values, as of `RallyChain`: between average players, or of one against the average."""
    check_fitted(chain, "RallyChain", "chain")
    if player is None:
        return chain.state_values(draws, level)
    at = chain.position(player)
    table = chain.pair(player)
    value, length = [], []
    for counts in _counts(chain, draws):
        ladder = ladder_rows(counts)
        mine = chain.pooling_.rows(counts)[:, at]
        value.append(win_share(alternating_values(mine, ladder)[0]))
        length.append(_lengths(mine, ladder))
    win_low, win_high = percentile_limits(np.concatenate(value), level)
    shots_low, shots_high = percentile_limits(np.concatenate(length), level)
    limits = {
        "win_probability_low": win_low,
        "win_probability_high": win_high,
        "expected_shots_low": shots_low,
        "expected_shots_high": shots_high,
    }
    return table.assign(**limits)


def row_limits(
    chain: RallyChain, player: str | None, draws: int, level: float
) -> tuple[Array, Array]:
    """Ends of the intervals of transition rows, each of shape (s, s + 3)."""
    check_fitted(chain, "RallyChain", "chain")
    at = None if player is None else chain.position(player)
    again = [
        ladder_rows(counts) if at is None else chain.pooling_.rows(counts)[:, at]
        for counts in _counts(chain, draws)
    ]
    return percentile_limits(np.concatenate(again), level)


def _counts(chain: RallyChain, draws: int) -> Iterator[Array]:
    rng = np.random.default_rng(0)  # as of the chain's own tables
    return RallyBootstrap(chain.moves(), chain.pooling_, draws, rng).counts()


def _lengths(mine: Array, theirs: Array) -> Array:
    """Shots left from the striker's balls, (draws, s); NaN where a draw never met the ball."""
    s = mine.shape[-2]
    ones = np.ones((s, 1))
    T1, T2 = mine[..., :s], theirs[..., :s]
    left = np.linalg.solve(np.eye(s) - T1 @ T2, ones + T1 @ ones)[..., 0]
    return np.where(theirs.sum(axis=-1) > 0, left, np.nan)
