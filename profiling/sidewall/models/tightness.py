"""The tightness model: chance of winning the rally for a given gap, attacking or resetting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.errors import DataError, NotFittedError
from sidewall.features.shots import shot_features
from sidewall.models.comfort import comfort_table
from sidewall.models.curves import curve_table
from sidewall.models.design import Design, family_levels
from sidewall.models.diagnostics import Diagnostics, diagnose
from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.prediction import PredictionError
from sidewall.models.selection import transform_scores
from sidewall.models.threshold_table import cell_thresholds, threshold_table
from sidewall.models.thresholds import quantile
from sidewall.models.transforms import KINDS, GapTransform, Kind
from sidewall.models.usable import usable_shots

Array = NDArray[np.float64]


class TightnessModel:
    """Chance that the hitter wins the rally, given the gap and the choice.

    The quantity is P(hitter wins the rally | gap, choice, side, stroke family, player),
    lets left out. Population curves are pooled with each player's own deviations by
    :class:`~sidewall.models.PooledLogit`; a match gets an intercept of its own within the
    player, so that a strong opponent or a bad day does not pass for skill.

    Parameters
    ----------
    transform : {"auto", "linear", "log1p", "spline"}, default "auto"
        How the gap enters; "auto" takes the one with the best held-out log loss, folds
        by match.
    situation : sequence of str, default ()
        Further categorical columns of the log to adjust for, such as ``"balance"``: each
        shifts the chance of winning, and the difference between attack and reset.
    match_effects : bool, default True
        Intercepts of matches within players.
    sd_shape : float, default 1.5
        Keeps standard deviations between players off zero; see ``PooledLogit``. With 1
        (plain maximum likelihood) intervals came out too short in simulated ladders of
        ten players, with 2 too long (figures in DEVELOPERS.md).
    folds : int, default 5
        Folds of matches for "auto".

    Attributes
    ----------
    fit_ : PooledLogit
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
    """

    def __init__(
        self,
        transform: Literal["auto", "linear", "log1p", "spline"] = "auto",
        situation: Sequence[str] = (),
        match_effects: bool = True,
        sd_shape: float = 1.5,
        folds: int = 5,
    ) -> None:
        self.transform = transform
        self.situation = situation
        self.match_effects = match_effects
        self.sd_shape = sd_shape
        self.folds = folds

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
        used, self.left_out_ = usable_shots(shots)
        self.used_ = used
        self._check(used)
        self.players_ = [str(name) for name in sorted(used["player"].astype(str).unique())]
        self.families_ = family_levels(used["family"])
        kind: Kind
        if self.transform == "auto":
            self.transform_scores_ = transform_scores(self, used, KINDS, self.folds)
            kind = cast(Kind, self.transform_scores_["log_loss"].idxmin())
        else:
            kind = self.transform
        self._fit_with(kind, used)
        self._predict_error(used)
        return self

    def _check(self, used: pd.DataFrame) -> None:
        if len(used) == 0:
            raise DataError(
                "no shot can be used: "
                + "; ".join(f"{n} {why}" for why, n in self.left_out_.items())
            )
        choices = used["choice"].value_counts()
        for choice in ("attack", "reset"):
            if choices.get(choice, 0) == 0:
                raise DataError(
                    f"the log has no {choice} among its {len(used)} usable shots, so there is "
                    "nothing to compare; chart the choice, or give read_shots a choice table"
                )
        for column in self.situation:
            if column not in used.columns:
                raise DataError(f"the log has no column {column!r} to adjust for")

    def _fit_with(self, kind: Kind, used: pd.DataFrame) -> None:
        """Estimate with one transform; intervals are left to `fit`."""
        self.transform_ = GapTransform.fit(kind, used["gap_m"])
        shares = {c: used[c].value_counts(normalize=True, sort=False) for c in self.situation}
        shares = {c: s[s > 0] for c, s in shares.items()}
        self.design_ = Design(self.transform_, self.families_, shares)
        X, Z = self.design_.fixed(used), self.design_.random(used)
        self.fit_ = PooledLogit(sd_shape=self.sd_shape).fit(
            used["won"],
            X,
            Z,
            used["player"].astype(str),
            subgroups=used["match"].astype(str) if self.match_effects else None,
        )
        self.cells_ = self.design_.cells
        self._contrasts = self.design_.coefficient_contrasts()

    def _predict_error(self, used: pd.DataFrame) -> None:
        fit = self.fit_
        group = fit.groups_.get_indexer(pd.Index(used["player"].astype(str)))
        subgroup = None
        if self.match_effects:
            keys = pd.MultiIndex.from_arrays(
                [used["player"].astype(str), used["match"].astype(str)]
            )
            subgroup = fit.subgroup_effects_.index.get_indexer(keys)
        self._error = PredictionError(
            fit,
            self.design_.fixed(used).to_numpy(),
            self.design_.random(used).to_numpy(),
            used["won"].to_numpy(),
            group,
            subgroup,
            used["rally_id"].to_numpy(),
        )
        fixed, random = self._contrasts
        self.coefficient_covariance_, self.design_effect_ = self._error.covariance(fixed, random)
        self.coefficients_ = self._coefficients(fixed, random)

    def _coefficients(self, fixed: Array, random: Array) -> Array:
        values = fixed @ self.fit_.fixed_effects_.to_numpy()
        values = values + self.fit_.random_effects_.to_numpy() @ random.T
        k = self.transform_.n_columns
        return values.reshape(len(self.players_), len(self.cells_), 2, 1 + k)

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
        table = shots if "family" in shots.columns else shot_features(shots)
        known = self.fit_.random_effects_.reindex(table["player"].astype(str)).fillna(0.0)
        eta = self.design_.fixed(table).to_numpy() @ self.fit_.fixed_effects_.to_numpy()
        eta += np.sum(self.design_.random(table).to_numpy() * known.to_numpy(), axis=1)
        win = expit(eta)
        return np.column_stack([1.0 - win, win])

    # -- answers ----------------------------------------------------------------------

    def gap_max_m(self) -> pd.Series:
        """Widest gap to speak of in each cell: the 99th percentile of those met."""
        met = self.used_.groupby(["side", "family"], observed=True)["gap_m"].quantile(0.99)
        return met.reindex(pd.MultiIndex.from_tuples(self.cells_))

    def _cell_coefficients(self, situation: Mapping[str, str] | None) -> tuple[Array, Array]:
        """Coefficients (players, cells, 2, 1+k) and covariance (players, cells, 2(1+k), same)."""
        self._need_fit()
        if situation:
            fixed, random = self.design_.coefficient_contrasts(situation)
            values = self._coefficients(fixed, random)
            covariance, _ = self._error.covariance(fixed, random)
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
