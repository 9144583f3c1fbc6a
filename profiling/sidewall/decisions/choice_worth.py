"""What a choice was worth: the chance of winning with it, minus that with the other choice."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["ChoiceWorth"]

Array = NDArray[Any]


class ChoiceWorth:
    """Chance of winning with the choice that was made, minus that with the other, shot by shot.

    Each ball in its own situation, read off the draws of the model, so that sums and means
    carry all that the draws carry.

    Parameters
    ----------
    model : TightnessModel
        Fitted.
    table : DataFrame
        Shots with ``player``, ``side``, ``family``, ``choice``, ``gap_m`` and the columns
        of the model's situation.

    Attributes
    ----------
    mean, low, high : ndarray, shape (n,)
        Of the difference: above 0 the choice brought something, below 0 it cost; NaN for a
        player, side, choice or gap that the model does not know.
    p_right : ndarray, shape (n,)
        Share of the draws in which the choice made was the better.
    """

    def __init__(self, model: TightnessModel, table: pd.DataFrame, level: float = 0.95) -> None:
        model.need_fit()
        self._model, self._table = model, table
        choice = table["choice"].astype(object)
        self._sign = np.select([choice == "attack", choice == "reset"], [1.0, -1.0], np.nan)
        n, cut = len(table), 0.5 * (1.0 - level)
        self.mean, self.low, self.high, self.p_right = (np.full(n, np.nan) for _ in range(4))
        for rows, drawn in self.draws():
            self.mean[rows] = drawn.mean(axis=0)
            self.low[rows], self.high[rows] = np.quantile(drawn, [cut, 1.0 - cut], axis=0)
            self.p_right[rows] = (drawn > 0).mean(axis=0)

    def draws(self, chosen: Array | None = None) -> Iterator[tuple[Array, Array]]:
        """Some rows at a time with their draws, (draws, rows); of the chosen rows only."""
        use = np.flatnonzero(~np.isnan(self._sign) if chosen is None else chosen)
        table = self._table.iloc[use]
        for rows, attack, reset in self._model.posterior_.of_shots(table):
            yield use[rows], self._sign[use[rows]] * (attack - reset)

    def drawn(self, rows: Array, which: Array) -> Array:
        """Differences of some shots in some of the draws, shape (len(which), len(rows))."""
        found = np.zeros((len(which), len(self.mean)))
        chosen = np.zeros(len(self.mean), dtype=bool)
        chosen[rows] = True
        for at, drawn in self.draws(chosen):
            found[:, at] = drawn[which]
        return found[:, rows]

    def sums(self, group: Array, groups: int) -> Array:
        """Draws of the sum over each group of shots, shape (draws, groups).

        Parameters
        ----------
        group : ndarray of int, shape (n,)
            Group of each shot, -1 for none.
        groups : int
        """
        total = np.zeros((self._model.posterior_.n_draws, groups))
        for rows, drawn in self.draws((group >= 0) & ~np.isnan(self.mean)):
            for g in np.unique(group[rows]):
                total[:, g] += drawn[:, group[rows] == g].sum(axis=1)
        return total
