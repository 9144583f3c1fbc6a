"""The tightness model: chance of winning the rally for a given gap, attacking or resetting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.errors import NotFittedError
from sidewall.features.shots import with_features
from sidewall.log.vocabulary import CHOICES
from sidewall.models.cells import (
    ALL_STROKES,
    check_choices,
    check_columns,
    families_told_apart,
    widest_gaps,
)
from sidewall.models.comfort import comfort_table
from sidewall.models.components import ComponentAverage
from sidewall.models.curves import curve_table
from sidewall.models.design import Design
from sidewall.models.diagnostics import Diagnostics, diagnose
from sidewall.models.outcome import coarseness_notes, dispersion, with_outcome
from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.prediction import PredictionError
from sidewall.models.selection import transform_scores
from sidewall.models.threshold_table import cell_thresholds, threshold_table
from sidewall.models.thresholds import quantile
from sidewall.models.transforms import KINDS, GapTransform, Kind
from sidewall.models.usable import usable_shots
from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]

_CHAIN_DRAWS = 100
_COMPONENT_DRAWS = 1000
_SD_SHAPE = 2.0  # the mode of a flat prior, on the log scale; see components.py


class TightnessModel:
    """Chance that the hitter wins the rally, given the gap and the choice.

    The quantity is P(hitter wins the rally | gap, choice, side, stroke family, player),
    lets left out. Population curves are pooled with each player's own deviations by
    :class:`~sidewall.models.PooledLogit`; a match gets an intercept of its own within the
    player, so that a strong opponent or a bad day does not pass for skill.

    Parameters
    ----------
    outcome : {"value", "rally"}, default "value"
        What a shot is judged by: who won the rally, or the value of the ball one
        exchange later in the rally chain (see :mod:`sidewall.rallies.exchange`), which
        has much less luck in it and trusts the chain's states.
    transform : {"auto", "linear", "log1p", "spline"}, default "auto"
        How the gap enters; "auto" takes the one with the best held-out log loss, folds
        by match.
    situation : sequence of str, default ()
        Further categorical columns of the log to adjust for, such as ``"balance"``: each
        shifts the chance of winning, and the difference between attack and reset.
    match_effects : bool, default True
        Intercepts of matches within players.
    prior_scale : float, default 0.2
        How far players may differ: scale, in log odds, of a half-normal prior on each
        standard deviation between players (0.2 moves an even rally to 55 in 100). With
        few players the data say little about it; see
        :mod:`sidewall.models.components`.
    folds : int, default 5
        Folds of matches for "auto".
    chain : RallyChain, optional
        For ``outcome="value"``. One that is not fitted yet is fitted to the same log.
    seed : int, default 0
        For the draws that carry the chain's uncertainty into the intervals.

    Attributes
    ----------
    fit_ : PooledLogit
        The fit behind it, at the mode of the variance components.
    fixed_effects_, player_effects_ : Series, DataFrame
        Population coefficients and players' deviations, averaged over the components.
    notes_ : list of str
        What was put together because it was charted too seldom, and, by value, whether
        the chain's states are too coarse.
    transform_ : GapTransform
    transform_scores_ : DataFrame
        Held-out log loss of every transform tried, with its standard error.
    players_, cells_ : list
        Players, and (side, family) pairs, in the order of all tables.
    used_ : DataFrame
        The shots behind the fit.
    left_out_ : Series
        Shots left out, by reason.
    coefficients_ : ndarray, shape (players, cells, 2, 1 + k)
        Intercept and gap slopes of every curve; the third axis is attack, reset.
    coefficient_covariance_ : ndarray, shape (players, m, m)
        Their error covariance, rally-clustered, m = cells * 2 * (1 + k).
    design_effect_ : ndarray, shape (m,)
        Noise variance of each coefficient over that of independent shots.
    dispersion_ : Series
        For attack and reset: variance of the outcomes over that of wins and losses with
        the same chances; 1 for ``outcome="rally"``. Shots are weighted by its inverse.
    chain_ : RallyChain
        The chain behind ``outcome="value"``.
    """

    def __init__(
        self,
        outcome: Literal["value", "rally"] = "value",
        transform: Literal["auto", "linear", "log1p", "spline"] = "auto",
        situation: Sequence[str] = (),
        match_effects: bool = True,
        prior_scale: float = 0.2,
        folds: int = 5,
        chain: RallyChain | None = None,
        seed: int = 0,
    ) -> None:
        self.outcome = outcome
        self.transform = transform
        self.situation = situation
        self.match_effects = match_effects
        self.prior_scale = prior_scale
        self.folds = folds
        self.chain = chain
        self.seed = seed

    def fit(self, shots: pd.DataFrame) -> TightnessModel:
        """Fit the curves of all players of a log together.

        Raises
        ------
        DataError
            When no usable shots are left, only one choice occurs, or a named situation
            column is missing.
        SeparationError
            When some combination of side, family and choice always wins or always loses.
        """
        table, self._exchange = with_outcome(shots, self.outcome, self.chain)
        if self._exchange is not None:
            self.chain_ = self._exchange.chain
        used, self.left_out_ = usable_shots(table)
        check_choices(used, self.left_out_)
        check_columns(used, self.situation)
        self.families_, self.notes_ = families_told_apart(used)
        if self.families_ == (ALL_STROKES,):
            used = used.assign(family=ALL_STROKES)
        if self._exchange is not None:
            self.notes_ += coarseness_notes(self._exchange.chain)
        self.used_ = used
        self.players_ = [str(name) for name in sorted(used["player"].astype(str).unique())]
        self.dispersion_ = pd.Series(1.0, list(CHOICES), name="dispersion")
        if self.outcome == "value":
            self._fit_with("linear", used)
            self.dispersion_ = dispersion(used, self.predict_proba(used)[:, 1])
        kind: Kind
        if self.transform == "auto":
            self.transform_scores_ = transform_scores(self, used, KINDS, self.folds)
            kind = cast(Kind, self.transform_scores_["log_loss"].idxmin())
        else:
            kind = self.transform
        X, Z = self._fit_with(kind, used)
        self._predict_error(used, X.to_numpy(), Z.to_numpy())
        return self

    def _fit_with(self, kind: Kind, used: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Estimate with one transform and return its columns; intervals are left to `fit`."""
        self.transform_ = GapTransform.fit(kind, used["gap_m"])
        shares = {c: used[c].value_counts(normalize=True, sort=False) for c in self.situation}
        shares = {c: s[s > 0] for c, s in shares.items()}
        self.design_ = Design(self.transform_, self.families_, shares)
        X, Z = self.design_.fixed(used), self.design_.random(used)
        weight = self._weights(used)
        self.fit_ = PooledLogit(sd_shape=_SD_SHAPE).fit(
            used["outcome"] * weight,
            X,
            Z,
            used["player"].astype(str),
            trials=weight,
            subgroups=used["match"].astype(str) if self.match_effects else None,
        )
        self.fixed_effects_ = self.fit_.fixed_effects_
        self.player_effects_ = self.fit_.random_effects_
        self.cells_ = self.design_.cells
        self._contrasts = self.design_.coefficient_contrasts()
        return X, Z

    def _weights(self, used: pd.DataFrame) -> Array:
        return 1.0 / used["choice"].astype(str).map(self.dispersion_).to_numpy(dtype=float)

    def _predict_error(self, used: pd.DataFrame, X: Array, Z: Array) -> None:
        fit = self.fit_
        group = fit.groups_.get_indexer(pd.Index(used["player"].astype(str)))
        subgroup = None
        if self.match_effects:
            keys = pd.MultiIndex.from_arrays(
                [used["player"].astype(str), used["match"].astype(str)]
            )
            subgroup = fit.subgroup_effects_.index.get_indexer(keys)
        shifts: list[Array] = []
        if self._exchange is not None:
            draws = self._exchange.draws(_CHAIN_DRAWS, np.random.default_rng(self.seed))
            shifts = [draw[used["row"]] for draw in draws]
        self._error = PredictionError(
            fit,
            X,
            Z,
            used["outcome"].to_numpy(),
            group,
            subgroup,
            used["rally_id"].to_numpy(),
            self._weights(used),
            shifts,
        )
        rng = np.random.default_rng(self.seed)
        self.average_ = ComponentAverage(fit, _COMPONENT_DRAWS, self.prior_scale, rng)
        self.fixed_effects_, self.player_effects_ = self.average_.effects(fit)
        found = self._coefficients(*self._contrasts)
        self.coefficients_, self.coefficient_covariance_, self.design_effect_ = found

    def _coefficients(self, fixed: Array, random: Array) -> tuple[Array, Array, Array]:
        """Coefficients of every curve, their covariance, and the design effects."""
        values, covariance = self.average_.contrasts(fixed, random)
        correction, design_effect = self._error.correction(fixed, random)
        shape = (len(self.players_), len(self.cells_), 2, 1 + self.transform_.n_columns)
        return values.reshape(shape), covariance + correction, design_effect

    def _need_fit(self) -> None:
        if not hasattr(self, "fit_"):
            raise NotFittedError("call TightnessModel().fit(shots) first")

    def predict_proba(self, shots: pd.DataFrame) -> Array:
        """Chance of losing and of winning the rally for given shots.

        Players unknown to the fit get the population's curves; the match counts as an
        unknown one.

        Parameters
        ----------
        shots : DataFrame
            With ``player``, ``side``, ``family``, ``choice``, ``gap_m`` and the columns
            of `situation`.

        Returns
        -------
        ndarray, shape (n, 2)
            Columns lose, win.
        """
        self._need_fit()
        table = shots if "family" in shots.columns else with_features(shots)
        known = self.player_effects_.reindex(table["player"].astype(str)).fillna(0.0)
        eta = self.design_.fixed(table).to_numpy() @ self.fixed_effects_.to_numpy()
        eta += np.sum(self.design_.random(table).to_numpy() * known.to_numpy(), axis=1)
        win = expit(eta)
        return np.column_stack([1.0 - win, win])

    # -- answers ----------------------------------------------------------------------

    def gap_max_m(self) -> pd.Series:
        """Widest gap to speak of in each cell, in metres."""
        return widest_gaps(self.used_, self.cells_)

    def _cell_coefficients(self, situation: Mapping[str, str] | None) -> tuple[Array, Array]:
        """Coefficients (players, cells, 2, 1+k) and covariance (players, cells, 2(1+k), same)."""
        self._need_fit()
        if situation:
            contrasts = self.design_.coefficient_contrasts(situation)
            values, covariance, _ = self._coefficients(*contrasts)
        else:
            values, covariance = self.coefficients_, self.coefficient_covariance_
        c, m = len(self.cells_), 2 * values.shape[-1]
        blocks = covariance.reshape(len(values), c, m, c, m)
        return values, np.stack([blocks[:, i, :, i, :] for i in range(c)], axis=1)

    def thresholds(
        self, level: float = 0.95, situation: Mapping[str, str] | None = None
    ) -> pd.DataFrame:
        """Loose threshold of every player, side and stroke family.

        Parameters
        ----------
        level : float, default 0.95
        situation : mapping of str to str, optional
            Levels of the columns adjusted for; by default the mix that was met.

        Returns
        -------
        DataFrame
            A threshold takes at least five attacks and five resets of the player's own
            in the cell; with fewer it is not known yet, whatever the other players say.
            ``player``, ``side``, ``family``, ``status``, ``threshold_m``, ``low_m``,
            ``high_m``, ``n_attack``, ``n_reset``, ``n_rallies``, ``more_shots`` (about how
            many further shots of this side and family would settle an open answer, if the
            estimate stays where it is; infinite beyond 20,000) and ``gap_max_m`` (the
            widest gap the answer speaks of).
        """
        return threshold_table(self, *self._cell_coefficients(situation), quantile(level))

    def curves(
        self,
        gaps_m: Sequence[float] | None = None,
        level: float = 0.95,
        situation: Mapping[str, str] | None = None,
    ) -> pd.DataFrame:
        """Chance of winning against the gap; see :func:`~sidewall.models.curves.curve_table`."""
        values, covariances = self._cell_coefficients(situation)
        return curve_table(self, values, covariances, quantile(level), gaps_m)

    def comfort(self, level: float = 0.95, seed: int = 0) -> pd.DataFrame:
        """Forehand against backhand; see :func:`~sidewall.models.comfort.comfort_table`."""
        self._need_fit()
        rng = np.random.default_rng(seed)
        values, covariances = self._cell_coefficients(None)
        found = cell_thresholds(self, values, covariances, quantile(level))
        return comfort_table(self, values, self.coefficient_covariance_, found, level, rng)

    def diagnostics(self, folds: int = 5) -> Diagnostics:
        """Held-out checks; see :func:`~sidewall.models.diagnostics.diagnose`."""
        self._need_fit()
        return diagnose(self, folds)
