"""A logistic curve for each player, pooled, with errors that know about rallies."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.models.draws import Groups, LogitDraws


class PlayerCurves:
    """Coefficients of every player and of the usual player, with their error covariance.

    Players are pooled as in :class:`~sidewall.models.TightnessModel`: coefficients by player
    whose spreads are drawn, under a half-t prior of `prior_scale` log odds (of a slope: for a
    standard deviation of its column, whatever its unit), errors widened where the shots of a rally
    are not independent. `usual_` are the coefficients (p,) and covariance (p, p) of the middle of
    all players.
    """

    def __init__(self, prior_scale: float = 0.2, seed: int = 0) -> None:
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(
        self,
        y: pd.Series,
        X: pd.DataFrame,
        vary: list[str],
        rows: pd.DataFrame,
        offset: Array | None = None,
    ) -> PlayerCurves:
        """Estimate all curves of results y, 0 or 1; a DataError where all rows ended alike.

        The first column of X is the intercept; `vary` are those that differ between players; `rows`
        have ``player`` and ``rally_id``. The offset, (n,), is known log odds, such as the
        strength of the opponent. A curve stands at the player's own mean of it, so against the
        opponents that were met.
        """
        result = y.to_numpy(dtype=float)
        if len(np.unique(result)) < 2:
            raise DataError(
                f"all {len(result)} shots ended alike, so there is no curve; chart more rallies"
            )
        names = [str(name) for name in X.columns]
        size = X[vary].std().to_numpy()
        scales = self.prior_scale / np.where(size > 0, size, 1.0)
        groups = Groups(np.full(len(names), -1), np.arange(len(vary)), list(vary), scales)
        self.fit_ = LogitDraws(groups, draws=400, seed=self.seed).fit(
            result,
            X.to_numpy(dtype=float),
            X[vary].to_numpy(dtype=float),
            rows["player"].astype(str),
            offset,
            rows["rally_id"],
        )
        self.columns_, self.players_ = names, [str(name) for name in self.fit_.groups_]
        self._own = np.array([names.index(name) for name in vary])
        known = np.zeros(len(result)) if offset is None else offset
        self._lead = pd.Series(known).groupby(rows["player"].astype(str).to_numpy()).mean()
        self.usual_ = self._moments(self.fit_.draws_.common, float(self._lead.mean()))
        return self

    @staticmethod
    def _moments(draws: Array, lead: float) -> tuple[Array, Array]:
        mean = draws.mean(axis=0)
        mean[0] += lead
        return mean, np.atleast_2d(np.cov(draws.T))

    def of(self, player: str | None) -> tuple[Array, Array]:
        """Coefficients and their covariance of a player; of the usual one for None.

        A player without a row in the fit counts as the usual one.
        """
        if player is None or player not in self.players_:
            return self.usual_
        draws = self.fit_.draws_.common.copy()
        draws[:, self._own] += self.fit_.draws_.own[self.players_.index(player)]
        return self._moments(draws, float(self._lead[player]))
