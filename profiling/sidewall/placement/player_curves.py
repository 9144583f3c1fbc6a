"""A logistic curve for each player, pooled, with errors that know about rallies."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.models.components import ComponentAverage
from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.prediction import PredictionError

__all__ = ["PlayerCurves"]

Array = NDArray[Any]

_DRAWS = 500
_SD_SHAPE = 2.0  # as in the tightness model


class PlayerCurves:
    """Coefficients of every player and of the usual player, with their error covariance.

    Players are pooled as in :class:`~sidewall.models.TightnessModel`: random effects by
    player, an intercept for each match within the player, errors clustered by rally and
    averaged over what is not known of the spread between players.

    Parameters
    ----------
    prior_scale : float, default 0.2
        How far players may differ, log odds.
    match_effects : bool, default True
    seed : int, default 0

    Attributes
    ----------
    fit_ : PooledLogit
    columns_ : list of str
    players_ : list of str
    usual_ : tuple of ndarray
        Coefficients (p,) and covariance (p, p) of the middle of all players.
    """

    def __init__(self, prior_scale: float = 0.2, match_effects: bool = True, seed: int = 0) -> None:
        self.prior_scale = prior_scale
        self.match_effects = match_effects
        self.seed = seed

    def fit(
        self, y: pd.Series, X: pd.DataFrame, vary: list[str], rows: pd.DataFrame
    ) -> PlayerCurves:
        """Estimate all curves.

        Parameters
        ----------
        y : Series
            0 or 1.
        X : DataFrame
            Columns of the curve, the intercept among them.
        vary : list of str
            Those that differ between players.
        rows : DataFrame
            With ``player``, ``match`` and ``rally_id``.

        Raises
        ------
        DataError, SeparationError
            See :meth:`PooledLogit.fit`.
        """
        player, match = rows["player"].astype(str), rows["match"].astype(str)
        self.fit_ = PooledLogit(sd_shape=_SD_SHAPE).fit(
            y.to_numpy(float), X, X[vary], player, subgroups=match if self.match_effects else None
        )
        self.columns_ = [str(name) for name in X.columns]
        self.players_ = [str(name) for name in self.fit_.groups_]
        subgroup = None
        if self.match_effects:
            keys = pd.MultiIndex.from_arrays([player, match])
            subgroup = self.fit_.subgroup_effects_.index.get_indexer(keys)
        error = PredictionError(
            self.fit_,
            X.to_numpy(),
            X[vary].to_numpy(),
            y.to_numpy(float),
            self.fit_.groups_.get_indexer(pd.Index(player)),
            subgroup,
            rows["rally_id"].to_numpy(),
            np.ones(len(y)),
        )
        average = ComponentAverage(
            self.fit_, _DRAWS, self.prior_scale, np.random.default_rng(self.seed)
        )
        p = len(self.columns_)
        own = np.array([[float(c == v) for v in vary] for c in self.columns_])
        values, covariance = average.contrasts(np.eye(p), own)
        self._values = values
        self._covariance = error.covariance(covariance, np.eye(p), own)[0]
        none = np.zeros_like(own)
        values, covariance = average.contrasts(np.eye(p), none)
        self.usual_ = values[0], error.covariance(covariance, np.eye(p), none)[0][0]
        return self

    def of(self, player: str | None) -> tuple[Array, Array]:
        """Coefficients and their covariance of a player; of the usual one for None.

        A player without a row in the fit counts as the usual one.
        """
        if player is None or player not in self.players_:
            return self.usual_
        at = self.players_.index(player)
        return self._values[at], self._covariance[at]
