"""The tightness model: chance of winning the rally for a given gap, shot and situation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import (
    Keep,
    as_frame,
    check_count,
    check_seed,
    check_word,
    names_of,
)
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError, NotFittedError
from sidewall.features.parts import OneTable, Parts, as_parts
from sidewall.log.vocabulary import CHOICES, SIDES, VOCABULARY
from sidewall.models.answers import LEAST_OWN, NOT_KNOWN, Posterior
from sidewall.models.answers import Threshold, asked, crossings, threshold_of
from sidewall.models.correction import Correction
from sidewall.models.counted import ALL_STROKES, CountedShots, put_together, sums_by
from sidewall.models.curves import SLOPE_GAPS_M, CurveColumns
from sidewall.models.fitting import CountPart, FittedCurve, Judge, MetPart, RoughCurve, ScorePart, Scores
from sidewall.models.threads import one_thread
from sidewall.models.usable import (
    REASONS,
    cell_of,
    check_choices,
    families_told_apart,
    levels_told_apart,
    widest_gaps,
)
from sidewall.rallies.strengths import RallyCounts, Strengths
from sidewall.rallies.value import BallValue, Horizon, need_horizon

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Columns of the situation that are used where they are charted.
SITUATION: Final = ("depth", "balance", "opponent_place")
_WORDS: Final = {"depth": DEPTHS, **VOCABULARY}


class TightnessModel:
    """Chance that the striker wins the rally, given the ball and the shot played.

    The quantity is P(striker wins the rally | ball, shot, striker, opponent), lets left out.
    The ball is what is there before the shot: gap, side, how it is met, and whatever is
    charted of depth, balance and the opponent's place. The shot is the choice (attack or
    reset) and the stroke within it. Attack and reset have a curve each, common to all
    players with every player's own deviations (:mod:`sidewall.models.curves`); the
    difference of the two players' strengths is a fixed offset. The posterior is drawn
    (:mod:`sidewall.models.draws`), and every answer is read off the same draws.

    Parameters
    ----------
    outcome : {"value", "rally"}, default "value"
        What a shot is judged by: the value of the ball that it leaves
        (:mod:`sidewall.rallies.value`), with a correction for what that value misses
        (:mod:`sidewall.models.correction`), or who won the rally, which assumes nothing and
        has much luck in it.
    horizon : {1, 2, 4, "rally"}, default 1
        By value: how many shots later the ball is valued. "rally" is the same as
        ``outcome="rally"``.
    situation : "charted", or sequence of str, default "charted"
        Columns that describe the ball besides gap, side and contact: by default those of
        depth, balance and opponent_place that the log has; or any categorical columns.
    strokes : bool, default True
        Tell strokes apart.
    draws : int, default 1000
        Draws from the posterior.
    value : BallValue, optional
        One that is fitted already, to the same log or a larger one.
    seed : int or numpy.random.Generator, default 0
        For the draws.

    Attributes
    ----------
    players_, cells_ : list
        Players, and (side, family) pairs, in the order of all tables.
    families_ : tuple of str
    situation_ : dict
        Levels of every column of the situation.
    curves_ : dict
        By choice: :class:`FittedCurve`, with the draws.
    strengths_, value_ : Strengths, BallValue
        ``value_`` only by value.
    correction_ : Correction
        By value: what the value misses.
    used_ : DataFrame
        The shots behind the fit, where it was given a table.
    counted_ : CountedShots
        The same as counts.
    left_out_ : Series
        Shots left out, by reason.
    notes_ : list of str
        What was put together because it was charted too seldom, and what the guard says.
    """

    def __init__(
        self,
        outcome: Literal["value", "rally"] = "value",
        horizon: Horizon = 1,
        situation: str | Sequence[str] = "charted",
        strokes: bool = True,
        draws: int = 1000,
        value: BallValue | None = None,
        seed: int | np.random.Generator = 0,
    ) -> None:
        self.outcome = outcome
        self.horizon = horizon
        self.situation = situation
        self.strokes = strokes
        self.draws = draws
        self.value = value
        self.seed = seed

    def fit(self, shots: pd.DataFrame | Parts, keep: Keep | None = None) -> TightnessModel:
        """Fit the curves of all players of a log together.

        Parameters
        ----------
        shots : DataFrame or Parts
            Whole rallies. A log in parts (see :mod:`sidewall.scale`) gives the same numbers;
            it is read part by part, and only counts are kept.
        keep : str, callable or mask, optional
            Which shots to fit: a query, a function of the feature table, or one true or
            false a row. Strengths and values come from all rallies all the same.

        Raises
        ------
        DataError
            When no usable shots are left, only one choice occurs, or a named situation
            column is missing.
        """
        check_word(self.outcome, ("value", "rally"), "outcome")
        check_count(self.draws, "draws", 50)
        rng = np.random.default_rng(check_seed(self.seed))
        horizon: Horizon = "rally" if self.outcome == "rally" else need_horizon(self.horizon)
        parts = shots if isinstance(shots, Parts) else as_parts(as_frame(shots))
        self._parts = parts
        strengths = self.value.strengths_ if self.value is not None else Strengths()
        if not hasattr(strengths, "strength_"):
            strengths.fit_counts(RallyCounts.add_up(parts.each(RallyCounts.of)))
        self.strengths_ = strengths
        if horizon != "rally":
            self.value_ = self.value or BallValue(strengths).fit(parts)
        self.horizon_ = horizon
        judge = Judge(getattr(self, "value_", None), horizon, keep)
        counted = self._count(parts, judge)
        with one_thread():
            self._fit_curves(counted, parts, judge, rng)
        return self

    # -- which shots ----------------------------------------------------------------------

    def _situation_columns(self, columns: Sequence[str]) -> tuple[str, ...]:
        if isinstance(self.situation, str) and self.situation == "charted":
            return tuple(name for name in SITUATION if name in columns)
        wanted = names_of(self.situation, "situation")
        for name in wanted:
            if name not in columns:
                raise DataError(f"the log has no column {name!r} to describe the situation by")
        return wanted

    def _count(self, parts: Parts, judge: Judge) -> CountedShots:
        columns = self._situation_columns(parts.columns)
        met: dict[str, pd.Series] = {}
        for part in parts.each(MetPart(judge, columns)):
            for name, counts in part.items():
                met[name] = met[name].add(counts, fill_value=0) if name in met else counts
        self.situation_, notes = levels_told_apart(met, _WORDS)
        found, left_out = [], pd.Series(0, list(REASONS), name="shots")
        counting = CountPart(judge, self.situation_, self.strengths_.strength_.index)
        for counted, others in parts.each(counting):
            found.append(counted)
            left_out = left_out.add(others, fill_value=0).reindex(REASONS)
        self.left_out_ = left_out[left_out > 0].astype(int)
        counted = put_together(found)
        check_choices(counted, self.left_out_)
        self.families_, self.notes_ = families_told_apart(counted, parts.columns)
        self.notes_ = self.notes_ + notes
        self.cells_ = [(side, family) for side in SIDES for family in self.families_]
        if self.families_ == (ALL_STROKES,):
            counted = counted.together()
        if isinstance(parts, OneTable):
            self.used_ = judge.usable(parts.table)[0]
            if self.families_ == (ALL_STROKES,):
                self.used_ = self.used_.assign(family=ALL_STROKES)
        return counted

    # -- the curves -----------------------------------------------------------------------

    def _fit_curves(
        self, counted: CountedShots, parts: Parts, judge: Judge, rng: np.random.Generator
    ) -> None:
        self.counted_ = counted
        playing = np.unique(counted.player)
        self.players_ = [str(name) for name in counted.players[playing]]
        strength = self.strengths_.strength_.to_numpy()
        curves = {}
        for choice in CHOICES:
            rows = counted.of_choice(choice)
            offset = strength[rows.player] - strength[rows.opponent]
            player = np.searchsorted(playing, rows.player)
            met = rows.by_kind.query("n > 0")["stroke"]
            strokes = tuple(met.cat.categories[np.unique(met.cat.codes)]) if self.strokes else ()
            columns = CurveColumns(choice, strokes, self.situation_, np.zeros(len(SLOPE_GAPS_M)))
            curves[choice] = RoughCurve(columns, rows, player, offset, len(playing)).settle(rng)
        names = pd.Index(self.players_)
        scoring = ScorePart(judge, names, self.strengths_, self.families_, self.situation_, curves)
        sums = Scores.add_up(parts.each(scoring))
        self.rallies_ = sums.rallies
        shifts = None
        if judge.horizon != "rally":
            self.correction_ = Correction(sums.missed)
            shifts = self.value_.draws(self.draws, rng)
            self.corrections_ = self.correction_.draws(self.draws, rng)
            self.notes_ += [self.correction_.words()] if self.correction_.speaks else []
        self.curves_ = {
            choice: curve.drawn(sums, self.draws, rng, shifts) for choice, curve in curves.items()
        }
        lead = counted.n * (strength[counted.player] - strength[counted.opponent])
        n = sums_by(counted.player, counted.n, len(strength))
        self.lead_ = (sums_by(counted.player, lead, len(strength)) / np.maximum(n, 1))[playing]
        self.posterior_ = Posterior(self)

    # -- the answers ----------------------------------------------------------------------

    def _need_fit(self) -> None:
        if not hasattr(self, "posterior_"):
            raise NotFittedError("call TightnessModel().fit(shots) first")

    def gap_max_m(self) -> pd.Series:
        """Widest gap to speak of in each cell, in metres."""
        return widest_gaps(self.counted_, self.cells_)

    def cell_counts(self) -> pd.DataFrame:
        """Own ``n_attack``, ``n_reset`` and ``n_rallies`` by player, side and family."""
        self._need_fit()
        mix = self.posterior_.mix
        shape = (len(self.players_), len(self.cells_))
        counts = np.zeros((2, *shape))
        for choice in range(2):
            for cell in range(shape[1]):
                counts[choice, :, cell] = mix.n[:, (mix.choice == choice) & (mix.cell == cell)].sum(1)
        names = [(player, *cell) for player in self.players_ for cell in self.cells_]
        return pd.DataFrame(
            {
                "n_attack": counts[0].ravel().astype(int),
                "n_reset": counts[1].ravel().astype(int),
                "n_rallies": self.rallies_[:, : shape[1]].ravel(),
            },
            index=pd.MultiIndex.from_tuples(names, names=["player", "side", "family"]),
        )

    def thresholds(self, level: float = 0.95, by: str | Sequence[str] = ()) -> pd.DataFrame:
        """Loose threshold of every player and cell."""
        self._need_fit()
        posterior, rows = self.posterior_, []
        counts = self.cell_counts()
        widest = self.gap_max_m().to_numpy()
        for i, player in enumerate(self.players_):
            for j, cell in enumerate(self.cells_):
                own = counts.loc[(player, *cell)]
                for ask in asked(posterior, names_of(by, "by")):
                    gaps = posterior.grids[j]
                    gain = posterior.gain(i, j, gaps, ask.where, ask.stroke)
                    enough = own[["n_attack", "n_reset"]].min() >= LEAST_OWN
                    known = not np.isnan(gain).any() and enough
                    answer = threshold_of(crossings(gain, gaps), level) if known else Threshold(NOT_KNOWN)
                    rows.append(
                        {
                            "player": player, "side": cell[0], "family": cell[1], **ask.told,
                            "status": answer.status, "threshold_m": answer.gap_m,
                            "low_m": answer.low_m, "high_m": answer.high_m,
                            **own.to_dict(), "gap_max_m": widest[j],
                        }
                    )
        return pd.DataFrame(rows)
