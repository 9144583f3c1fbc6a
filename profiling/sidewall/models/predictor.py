"""Chances of winning from coefficients alone: small enough to send to other processes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.features.coded import names_and_codes
from sidewall.models.counted import CountedShots, kinds_of
from sidewall.models.design import Design

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Predictor:
    """A design with its coefficients.

    Attributes
    ----------
    design : Design
    fixed : Series, length p
    players : DataFrame, players x q
        Their deviations; anybody else has none. The match counts as an unknown one.
    """

    design: Design
    fixed: pd.Series
    players: pd.DataFrame

    def __call__(self, table: pd.DataFrame) -> Array:
        """Chance of winning for every shot of a table."""
        kinds, kind = kinds_of(table, list(self.design.situation))
        names, player = names_and_codes(table["player"])
        return self._win(kinds, kind, names, player)

    def of_counted(self, counted: CountedShots) -> Array:
        """Chance of winning for every counted row."""
        return self._win(counted.kinds, counted.kind, counted.players, counted.player)

    def _win(
        self,
        kinds: pd.DataFrame,
        kind: NDArray[np.integer],
        names: pd.Index,
        player: NDArray[np.integer],
    ) -> Array:
        fixed = self.design.fixed(kinds).to_numpy() @ self.fixed.to_numpy()
        own = self.players.reindex(names).fillna(0.0).to_numpy()
        random = self.design.random(kinds).to_numpy()
        eta, step = fixed[kind], 1 << 17
        for at in range(0, len(eta), step):
            part = slice(at, at + step)
            eta[part] += np.einsum("nq,nq->n", random[kind[part]], own[player[part]])
        return np.asarray(expit(eta))
