"""The tightness model: chance of winning the rally for a given gap, attacking or resetting."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import (
    Keep,
    Table,
    check_folds,
    check_scale,
    check_seed,
    column_names,
    names_of,
)
from sidewall.features.parts import OneTable, Parts, as_parts
from sidewall.log.vocabulary import CHOICES
from sidewall.models.answers import Answers
from sidewall.models.cells import (
    check_choices,
    families_told_apart,
)
from sidewall.models.components import ComponentAverage
from sidewall.models.counted import ALL_STROKES, CountedShots
from sidewall.models.design import Design
from sidewall.models.outcome import (
    coarseness_notes,
    count_all,
    dispersion,
    find_judge,
    value_shifts,
)
from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.prediction import PredictionError, ShiftScore
from sidewall.models.predictor import Predictor
from sidewall.models.rally_scores import RallyScorePart, RallyScores, add_rallies, shift_scores
from sidewall.models.selection import transform_scores
from sidewall.models.threads import one_thread
from sidewall.models.transforms import KINDS, GapTransform, Kind
from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]

_CHAIN_DRAWS = 100
_COMPONENT_DRAWS = 1000
_SD_SHAPE = 2.0  # the mode of a flat prior, on the log scale; see components.py


class TightnessModel(Answers):
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
    situation : str or sequence of str, default ()
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
        The shots behind the fit, where it was given a table.
    counted_ : CountedShots
        The same as counts by player and kind of shot.
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
        situation: str | Sequence[str] = (),
        match_effects: bool = True,
        prior_scale: float = 0.2,
        folds: int = 5,
        chain: RallyChain | None = None,
        seed: int = 0,
    ) -> None:
        check_scale(prior_scale)
        check_folds(folds)
        check_seed(seed)
        self.outcome = outcome
        self.transform = transform
        self.situation = names_of(situation, "situation")
        self.match_effects = match_effects
        self.prior_scale = prior_scale
        self.folds = folds
        self.chain = chain
        self.seed = seed

    def fit(self, shots: Table | Parts, keep: Keep | None = None) -> TightnessModel:
        """Fit the curves of all players of a log together.

        Parameters
        ----------
        shots : DataFrame or Parts
            A log in parts (see :mod:`sidewall.scale`) gives the same numbers; it is read
            part by part, and only counts are kept.
        keep : str, callable or sequence of bool, optional
            Which shots the curves are fitted to: a query such as ``"balance == 'set'"``, a
            function of the feature table, or one true or false a shot. What a shot led to,
            and the chain by value, still come from all rallies of `shots`.

        Raises
        ------
        DataError
            When no usable shots are left, only one choice occurs, a named situation
            column is missing, or shots were left out of rallies beforehand and the outcome
            is by value.
        SeparationError
            When some combination of side, family and choice always wins or always loses.
        """
        parts = as_parts(shots)
        judge, chain = find_judge(parts, self.outcome, self.chain, keep)
        column_names(self.situation, parts.columns, "situation")
        counted, self.left_out_ = count_all(parts, judge, self.situation)
        check_choices(counted, self.left_out_)
        self.families_, self.notes_ = families_told_apart(counted, parts.columns)
        if self.families_ == (ALL_STROKES,):
            counted = counted.together()
        if chain is not None:
            self.chain_ = chain
            self.notes_ += coarseness_notes(chain)
        if isinstance(parts, OneTable):
            self.used_ = judge.usable(parts.table)[0]
            if self.families_ == (ALL_STROKES,):
                self.used_ = self.used_.assign(family=ALL_STROKES)
        self._parts, self._judge = parts, judge
        self.players_ = [str(name) for name in counted.players]
        self.dispersion_ = pd.Series(1.0, list(CHOICES), name="dispersion")
        if self.outcome == "value":
            self._fit_with("linear", counted)
            self.dispersion_ = dispersion(counted, self.predictor_.of_counted(counted))
        kind: Kind
        if self.transform == "auto":
            self.transform_scores_ = transform_scores(
                self, counted, parts, judge, KINDS, self.folds
            )
            kind = cast(Kind, self.transform_scores_["log_loss"].idxmin())
        else:
            kind = self.transform
        self._fit_with(kind, counted)
        self.counted_ = counted.by_player
        with one_thread():
            self._predict_error(counted)
        return self

    def _fit_with(self, kind: Kind, counted: CountedShots) -> None:
        """Estimate with one transform; intervals are left to `fit`."""
        met = counted.by_kind
        self.transform_ = GapTransform.fit(kind, met["gap_m"], met["n"])
        shares = {c: met.groupby(c, observed=True)["n"].sum() for c in self.situation}
        shares = {c: s[s > 0] / s.sum() for c, s in shares.items()}
        self.design_ = Design(self.transform_, self.families_, shares)
        X, Z = self.design_.fixed(counted.kinds), self.design_.random(counted.kinds)
        arranged = counted.arranged(self.match_effects)
        data = arranged.prepared(X, Z, self._weights(counted.kinds))
        self.fit_ = PooledLogit(sd_shape=_SD_SHAPE).fit_rows(data)
        self._averaged(self.fit_.fixed_effects_, self.fit_.random_effects_)
        self.cells_ = self.design_.cells
        self._contrasts = self.design_.coefficient_contrasts()

    def _averaged(self, fixed: pd.Series, players: pd.DataFrame) -> None:
        self.fixed_effects_, self.player_effects_ = fixed, players
        self.predictor_ = Predictor(self.design_, fixed, players)

    def _weights(self, kinds: pd.DataFrame) -> Array:
        return 1.0 / kinds["choice"].astype(str).map(self.dispersion_).to_numpy(dtype=float)

    def _predict_error(self, counted: CountedShots) -> None:
        fit = self.fit_
        self._error = PredictionError.from_scores(fit)
        subgroup = None
        if self.match_effects:
            names = fit.subgroup_effects_.index
            player = fit.groups_.get_indexer(names.get_level_values(0))
            match = counted.matches.get_indexer(names.get_level_values(1))
            subgroup = player * len(counted.matches) + match
        part = RallyScorePart(
            self._judge,
            self.design_,
            fit.groups_,
            counted.matches,
            subgroup,
            self.dispersion_,
            self._error.clearing,
        )
        sums = add_rallies(self._parts.each(part))
        self._error.add_scores(sums.scores, self._shift_scores(sums))
        self._rallies = sums.rallies
        rng = np.random.default_rng(self.seed)
        self.average_ = ComponentAverage(fit, _COMPONENT_DRAWS, self.prior_scale, rng)
        self._averaged(*self.average_.effects(fit))
        found = self._coefficients(*self._contrasts)
        self.coefficients_, self.coefficient_covariance_, self.design_effect_ = found

    def _shift_scores(self, sums: RallyScores) -> Iterator[ShiftScore]:
        worth = self._judge.worth
        if worth is None:
            return iter(())
        striker = worth.pairs[sums.place // len(worth.states)] // len(worth.players)
        group = self.fit_.groups_.get_indexer(pd.Index(worth.players)[striker])
        rng = np.random.default_rng(self.seed)
        shifts = value_shifts(worth, self.chain_, _CHAIN_DRAWS, rng)
        return shift_scores(sums, shifts, group, len(self.fit_.groups_))
