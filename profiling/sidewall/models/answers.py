"""What a fitted tightness model answers: chances, thresholds, curves, comfort."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import (
    Table,
    as_frame,
    check_folds,
    check_gaps_m,
    check_level,
    check_mapping,
    check_seed,
)
from sidewall.errors import NotFittedError
from sidewall.features.parts import Parts, one_table
from sidewall.features.shots import with_features
from sidewall.models.cells import choice_counts, widest_gaps
from sidewall.models.comfort import comfort_table
from sidewall.models.components import ComponentAverage
from sidewall.models.counted import CountedShots
from sidewall.models.curves import curve_table
from sidewall.models.design import Design
from sidewall.models.diagnostics import Diagnostics, diagnose
from sidewall.models.prediction import PredictionError
from sidewall.models.predictor import Predictor
from sidewall.models.threshold_table import cell_thresholds, threshold_table
from sidewall.models.thresholds import quantile
from sidewall.models.transforms import GapTransform
from sidewall.models.usable import answerable, check_questions
from sidewall.rallies.chain import RallyChain
from sidewall.rallies.exchange import ExchangeValues

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[Any]


class Answers:
    """Answers of a fitted :class:`~sidewall.models.TightnessModel`."""

    outcome: str
    chain_: RallyChain
    transform_: GapTransform
    design_: Design
    predictor_: Predictor
    counted_: CountedShots
    average_: ComponentAverage
    players_: list[str]
    cells_: list[tuple[str, str]]
    coefficients_: Array
    coefficient_covariance_: Array
    _error: PredictionError
    _rallies: NDArray[np.int64]
    _parts: Parts

    @property
    def _model(self) -> TightnessModel:
        return cast("TightnessModel", self)

    @property
    def _exchange(self) -> ExchangeValues | None:
        """By value: the outcomes of all shots of the table, and how the chain moves them."""
        if self.outcome != "value":
            return None
        table = one_table(self._parts, "the value of every shot")
        return ExchangeValues(self.chain_, self.chain_.moves(table))

    def _need_fit(self) -> None:
        if not hasattr(self, "fit_"):
            raise NotFittedError("call TightnessModel().fit(shots) first")

    def predict_proba(self, shots: Table) -> Array:
        """Chance of losing and of winning the rally for given shots.

        Players unknown to the fit get the population's curves; the match counts as an
        unknown one. Where side, choice, gap or, with curves of its own, the family is blank,
        there is no answer (NaN).

        Parameters
        ----------
        shots : DataFrame
            With ``player``, ``side``, ``family``, ``choice``, ``gap_m`` and the columns
            of `situation`.

        Returns
        -------
        ndarray, shape (n, 2)
            Columns lose, win.

        Raises
        ------
        DataError
            When a column is missing, or holds a word that the model does not know.
        """
        shots = as_frame(shots)
        self._need_fit()
        table = shots if "family" in shots.columns else with_features(shots)
        check_questions(table, self.design_)
        win = self.predictor_(table)
        win = np.where(answerable(table, self.design_), win, np.nan)
        return np.column_stack([1.0 - win, win])

    def _coefficients(self, fixed: Array, random: Array) -> tuple[Array, Array, Array]:
        """Coefficients of every curve, their covariance, and the design effects."""
        values, covariance = self.average_.contrasts(fixed, random)
        covariance, design_effect = self._error.covariance(covariance, fixed, random)
        shape = (len(self.players_), len(self.cells_), 2, 1 + self.transform_.n_columns)
        return values.reshape(shape), covariance, design_effect

    def gap_max_m(self) -> pd.Series:
        """Widest gap to speak of in each cell, in metres."""
        return widest_gaps(self.counted_, self.cells_)

    def cell_counts(self) -> pd.DataFrame:
        """Own ``n_attack``, ``n_reset`` and ``n_rallies`` by player, side and family."""
        self._need_fit()
        choices = choice_counts(self.counted_, pd.Index(self.players_), self.cells_)
        names = [(player, *cell) for player in self.players_ for cell in self.cells_]
        return pd.DataFrame(
            {
                "n_attack": choices[..., 0].ravel(),
                "n_reset": choices[..., 1].ravel(),
                "n_rallies": self._rallies[:, : len(self.cells_)].ravel(),
            },
            index=pd.MultiIndex.from_tuples(names, names=["player", "side", "family"]),
        )

    def family_rallies(self) -> NDArray[np.int64]:
        """Rallies with an own usable shot of each family, shape (players, families)."""
        self._need_fit()
        return self._rallies[:, len(self.cells_) :]

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
        check_level(level)
        check_mapping(situation or {}, "situation")
        return threshold_table(self._model, *self._cell_coefficients(situation), quantile(level))

    def curves(
        self,
        gaps_m: Sequence[float] | None = None,
        level: float = 0.95,
        situation: Mapping[str, str] | None = None,
    ) -> pd.DataFrame:
        """Chance of winning against the gap; see :func:`~sidewall.models.curves.curve_table`."""
        check_level(level)
        check_mapping(situation or {}, "situation")
        values, covariances = self._cell_coefficients(situation)
        if gaps_m is not None:
            gaps_m = check_gaps_m(gaps_m, float(self.gap_max_m().max())).tolist()
        return curve_table(self._model, values, covariances, quantile(level), gaps_m)

    def comfort(self, level: float = 0.95, seed: int = 0) -> pd.DataFrame:
        """Forehand against backhand; see :func:`~sidewall.models.comfort.comfort_table`."""
        check_level(level)
        check_seed(seed)
        self._need_fit()
        rng = np.random.default_rng(seed)
        values, covariances = self._cell_coefficients(None)
        found = cell_thresholds(self._model, values, covariances, quantile(level))
        return comfort_table(self._model, values, self.coefficient_covariance_, found, level, rng)

    def diagnostics(self, folds: int = 5) -> Diagnostics:
        """Held-out checks; see :func:`~sidewall.models.diagnostics.diagnose`."""
        check_folds(folds)
        self._need_fit()
        one_table(self._parts, "a held-out check")
        return diagnose(self._model, folds)
