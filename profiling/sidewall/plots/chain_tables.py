"""What pictures of a rally chain read: rows, counts and gaps by state."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.plots.state_places import Ball, ball_of
from sidewall.rallies.intervals import shown_rows
from sidewall.rallies.transitions import ENDS

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain


@dataclass(frozen=True)
class ChainTables:
    """A fitted chain as tables, of all or of one player's shots.

    By state: `rows` have the chance of every next ball or end, with intervals where asked for;
    `n` and `met` the shots behind a row and those of the whole log; `gap_m` the mean gap, metres.
    `rallies` are of the whole log; `has_contact` says whether volleys are told apart.
    """

    player: str | None
    rows: pd.DataFrame
    low: pd.DataFrame
    high: pd.DataFrame
    n: pd.Series
    met: pd.Series
    gap_m: pd.Series
    rallies: int
    has_contact: bool

    @classmethod
    def of(
        cls,
        chain: RallyChain,
        player: str | None,
        limits: tuple[Array, Array] | None = None,
    ) -> ChainTables:
        """Take the tables of a chain, of everybody's shots without a player.

        `limits` are from `row_limits`, where intervals are shown; they take a bootstrap. A
        NotFittedError or DataError if the chain is not fitted or does not know the player.
        """
        rows, n = shown_rows(chain, player)
        states, moves = list(chain.states_), chain.moves()
        ends = limits or (np.full(rows.shape, np.nan),) * 2
        known = moves.start >= 0
        gaps = pd.Series(moves.table["gap_m"].to_numpy(dtype=float)[known])
        mean = gaps.groupby(moves.start[known]).mean().reindex(range(len(states)))
        chances, low, high = (pd.DataFrame(one, states, [*states, *ENDS]) for one in (rows, *ends))
        return cls(
            player, chances, low, high, pd.Series(n, states), chain.visits_, mean.set_axis(states),
            len(np.unique(moves.rally)), "contact" in moves.table.columns,
        )  # fmt: skip

    @property
    def balls(self) -> list[Ball]:
        """Balls that the ladder met, in the chain's order."""
        return [ball_of(str(state)) for state in self.met.index[self.met > 0]]
