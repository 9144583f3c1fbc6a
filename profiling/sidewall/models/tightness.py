"""The tightness model: chance of winning the rally for a given gap, shot and situation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import (
    Floats,
    Keep,
    Table,
    as_frame,
    check_count,
    check_folds,
    check_gaps_m,
    check_level,
    check_player,
    check_seed,
    check_word,
    column_names,
    names_of,
)
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.features.parts import OneTable, Parts, as_parts, one_table
from sidewall.features.shots import with_features
from sidewall.log.vocabulary import SIDES
from sidewall.models.answers import (
    WORDS,
    check_ball_words,
    comfort_table,
    curves_table,
    made_once,
    rule_table,
    shots_in_order,
    thresholds_table,
)
from sidewall.models.carried import Carried
from sidewall.models.correction import Correction
from sidewall.models.counted import (
    ALL_STROKES,
    REASONS,
    CountedShots,
    check_choices,
    families_told_apart,
    levels_told_apart,
    put_together,
    widest_gaps,
)
from sidewall.models.diagnostics import Diagnostics, diagnose
from sidewall.models.draws import one_thread
from sidewall.models.fitting import (
    CountPart,
    FittedCurve,
    Judge,
    MetPart,
    ScorePart,
    Scores,
    leads,
    rough_curves,
)
from sidewall.models.follow import follow_table
from sidewall.models.halves import Halves
from sidewall.models.posterior import Posterior
from sidewall.rallies.strengths import RallyCounts, Strengths
from sidewall.rallies.value import BallValue, Horizon, need_horizon

#: Columns of the situation that are used where they are charted.
SITUATION: Final = ("depth", "balance", "opponent_place")
#: Columns that the features add to those of the log.
_DERIVED: Final = ("depth", "lane", "opponent_place", "incoming_stroke")


class TightnessModel(Estimator):
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
    correction_, carried_ : Correction, Carried
        By value: what the value misses, and whether something carries over that the log does
        not hold.
    used_, counted_ : DataFrame, CountedShots
        The shots behind the fit, where it was given a table; the same as counts.
    left_out_ : Series
        Shots left out, by reason.
    notes_ : list of str
        What was charted too seldom to tell apart, and what the guard says.

    See Also
    --------
    plot_threshold
    plot_comfort
    threshold_tilt
    LooseBall

    Examples
    --------
    >>> rowan = model.thresholds().query("player == 'Rowan'")
    >>> rowan[["side", "family", "n_attack", "n_reset", "n_rallies"]].head(2)
            side  family  n_attack  n_reset  n_rallies
    12  forehand  ground        23       88         38
    13  forehand  volley         3       14         15
    >>> model.curves(gaps_m=[0.2, 0.8]).columns.to_list()[3:7]
    ['gap_m', 'attack', 'attack_low', 'attack_high']
    """

    _result = "posterior_"

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
        check_seed(seed)
        check_count(draws, "draws", 50)
        check_word(outcome, ("value", "rally"), "outcome")
        self.outcome = outcome
        self.horizon = horizon
        self.situation = situation
        self.strokes = strokes
        self.draws = draws
        self.value = value
        self.seed = seed
        self._start: TightnessModel | None = None
        self._halves: Halves | None = None

    def fit(self, shots: Table | Parts, keep: Keep | None = None) -> TightnessModel:
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
            When no usable shots are left, only one choice occurs, a named situation column
            is missing, or by value shots were left out of rallies beforehand.
        """
        parts = as_parts(shots)
        rng = np.random.default_rng(check_seed(self.seed))
        horizon: Horizon = "rally" if self.outcome == "rally" else need_horizon(self.horizon)
        for name in ("value_", "correction_", "carried_", "corrections_", "posterior_", "used_"):
            self.__dict__.pop(name, None)  # of an earlier fit
        if not (keep is None or isinstance(keep, str) or callable(keep)):
            one_table(parts, "a mask to keep shots by")
        self.parts, self.keep = parts, keep
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

    def again(
        self,
        shots: Table | Parts,
        keep: Keep | None = None,
        draws: int = 200,
        value: BallValue | None = None,
    ) -> TightnessModel:
        """The same model of some of its rallies, started where this fit stands.

        Parameters
        ----------
        shots, keep
            As in :meth:`fit`.
        draws : int, default 200
        value : BallValue, optional
            As in the constructor.
        """
        check_count(draws, "draws", 50)
        parts = as_parts(shots)
        self.need_fit()
        options = (self.outcome, self.horizon, tuple(self.situation_), self.strokes)
        fresh = type(self)(*options, draws, value, self.seed)
        fresh._start = self
        return fresh.fit(parts, keep)

    def halves(self) -> Halves:
        """A model of each half of the matches, made when it is first asked for."""
        self.need_fit()
        self._halves = self._halves or Halves(self)
        return self._halves

    # -- which shots ----------------------------------------------------------------------

    def _count(self, parts: Parts, judge: Judge) -> CountedShots:
        columns: tuple[str, ...] = SITUATION
        if not (isinstance(self.situation, str) and self.situation == "charted"):
            columns = column_names(self.situation, [*parts.columns, *_DERIVED], "situation")
        met: dict[str, pd.Series] = {}
        for part in parts.each(MetPart(judge, columns)):
            for name, counts in part.items():
                met[name] = met[name].add(counts, fill_value=0) if name in met else counts
        self.situation_, notes = levels_told_apart(met, WORDS)
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
        together = self.families_ == (ALL_STROKES,)
        if isinstance(parts, OneTable):
            used = judge.usable(parts.table)[0]
            self.used_ = used.assign(family=ALL_STROKES) if together else used
        return counted.together() if together else counted

    # -- the curves -----------------------------------------------------------------------

    def _fit_curves(
        self, counted: CountedShots, parts: Parts, judge: Judge, rng: np.random.Generator
    ) -> None:
        self.counted_ = counted
        self.players_ = [str(name) for name in counted.players[counted.playing]]
        start = None if self._start is None else (self._start.curves_, self._start.players_)
        told = self.situation_, self.strokes
        curves = rough_curves(counted, self.strengths_, told, rng, start)
        fixed = pd.Index(self.players_), self.strengths_, self.families_, self.situation_
        modes = {choice: curve.mode for choice, curve in curves.items()}
        scoring = ScorePart(judge, *fixed, modes)
        sums = Scores.add_up(parts.each(scoring))
        self.rallies_ = sums.rallies
        shifts = None
        if sums.carried is not None:
            self.correction_, self.carried_ = Correction(sums.missed), Carried(sums.carried)
            shifts = self.value_.draws(self.draws, rng)
            self.corrections_ = self.correction_.draws(self.draws, rng)
            self.notes_ += filter(None, (self.correction_.words(), self.carried_.words()))
        self.curves_: dict[str, FittedCurve] = {
            choice: curve.drawn(sums, self.draws, rng, shifts) for choice, curve in curves.items()
        }
        self.matches_, self.games_ = sums.played
        # by rally the level of a player's curves makes up for the error of the strengths
        draws = None if judge.horizon == "rally" else self.strengths_.draws(self.draws, rng)
        self.lead_, self.lead_draws_ = leads(counted, self.strengths_, self.draws, draws)
        self.posterior_: Posterior = Posterior(self)
        self._tables: dict[tuple[Any, ...], pd.DataFrame] = {}
        self._halves = None

    # -- the answers ----------------------------------------------------------------------

    def _facts(self) -> dict[str, str]:
        more = ", ..." if len(self.players_) > 12 else ""
        found = {
            "players": f"{len(self.players_)}: {', '.join(self.players_[:12])}{more}",
            "shots": f"{self.counted_.shots:,} attacks and resets with a gap",
            "left out": ", ".join(f"{n:,} {why}" for why, n in self.left_out_.items()),
            "told apart": ", ".join(self._apart()),
        }
        return {name: words for name, words in found.items() if words}

    def _apart(self) -> tuple[str, ...]:
        """The columns that the model tells apart."""
        return (*(["stroke"] if self.strokes else []), *self.situation_)

    def gap_max_m(self) -> pd.Series:
        """Widest gap to speak of in each cell, in metres."""
        self.need_fit()
        return widest_gaps(self.counted_, self.cells_)

    def cell_counts(self) -> pd.DataFrame:
        """Own ``n_attack``, ``n_reset`` and ``n_rallies`` by player, side and family."""
        self.need_fit()
        attacks, resets = self.posterior_.mix.counts(None, None)
        counts = {"n_attack": attacks, "n_reset": resets}
        counts["n_rallies"] = self.rallies_[:, : len(self.cells_)]
        names = [(player, *cell) for player in self.players_ for cell in self.cells_]
        index = pd.MultiIndex.from_tuples(names, names=["player", "side", "family"])
        return pd.DataFrame({name: n.ravel() for name, n in counts.items()}, index)

    def predict_proba(self, shots: pd.DataFrame) -> Floats:
        """Chance of losing and of winning the rally for given shots.

        Players unknown to the fit get the club's curves, and strangers among the opponents
        count as average.

        Parameters
        ----------
        shots : DataFrame
            With ``player``, ``side``, ``family``, ``choice``, ``gap_m``, and where they are
            known ``opponent``, ``stroke`` and the columns of the situation.

        Returns
        -------
        ndarray, shape (n, 2)
            Columns lose, win: means of the posterior. Where side, choice, gap or, with
            curves of its own, the family is blank, there is no answer (NaN).

        Raises
        ------
        DataError
            When a column holds a word that the model does not know.
        """
        self.need_fit()
        table = as_frame(shots)
        table = table if "family" in table.columns else with_features(table)
        check_ball_words(table, self)
        win = np.full(len(table), np.nan)
        needed = ["side", "choice", "gap_m"]
        needed += ["family"] if self.families_ != (ALL_STROKES,) else []
        told = table[needed].notna().all(axis=1).to_numpy()
        win[told] = self.posterior_.mean_of(table[told])
        return np.column_stack([1.0 - win, win])

    @made_once
    def curves(
        self,
        gaps_m: ArrayLike | None = None,
        level: float = 0.95,
        by: str | Sequence[str] = (),
        player: str | None = None,
    ) -> pd.DataFrame:
        """Chance of winning the rally against the gap, attacking and resetting.

        Parameters
        ----------
        gaps_m : array-like, optional
            Gaps in metres, from 0 to the widest met; by default every 2 cm.
        level : float, default 0.95
            Of the pointwise intervals.
        by : str or sequence of str, default ()
            Tell apart by ``"stroke"`` (the attack's; resets are the player's own mix) or by
            columns of the situation; by nothing, the mean over the player's own mix.
        player : str, optional
            Only this player's; otherwise all players, one by one.

        Returns
        -------
        DataFrame
            One row a player, side, family, level of `by` and gap: ``attack``,
            ``attack_low``, ``attack_high`` and the same for ``reset`` and ``gain`` (attack
            less reset); ``p_attack_better``, the share of draws in which attack is better;
            ``p_attack_sure``, the same widened by what no draw holds (unseen reasons, the
            error of the charted gap): what is shown as sure.
        """
        by = self.told_apart(by)
        widest = self.gap_max_m().to_numpy()
        given = None if gaps_m is None else check_gaps_m(gaps_m, float(np.nanmax(widest)))
        return curves_table(self, given, level, by, self._asked_players(player))

    def told_apart(self, by: str | Sequence[str]) -> tuple[str, ...]:
        """The columns that `by` names; refuses those that the model does not tell apart.

        Parameters
        ----------
        by : str or sequence of str
            Columns of the situation, or stroke.
        """
        found, known = names_of(by, "by"), self._apart()
        for name in found:
            if name not in known:
                raise DataError(
                    f"by names {name!r}, which this model does not tell apart; it knows "
                    f"{', '.join(known) or 'nothing but side and contact'}"
                )
        return found

    def _asked_players(self, player: str | None) -> list[int]:
        """Positions of the player named, or of all."""
        asked = self.players_ if player is None else [check_player(player, self.players_)]
        return [self.players_.index(one) for one in asked]

    @made_once
    def thresholds(
        self, level: float = 0.95, by: str | Sequence[str] = (), player: str | None = None
    ) -> pd.DataFrame:
        """Loose threshold of every player, side and family.

        The threshold is the gap at which attacking beats resetting for good: where the gain
        in the chance of winning the rally crosses upward for the last time.

        Parameters
        ----------
        level : float, default 0.95
        by : str or sequence of str, default ()
        player : str, optional
            Both as in :meth:`curves`.

        Returns
        -------
        DataFrame
            ``player``, ``side``, ``family``, the columns of `by`; ``status`` (crosses, attack
            at any gap, reset at any gap, not known yet); ``threshold_m``, the median of the
            draws, with ``threshold_low_m`` and ``threshold_high_m``; ``n_attack``, ``n_reset``
            and ``n_rallies``, the player's own (of the cell); ``more_shots``, about how many
            further shots of the cell would settle an open answer if the estimate stays where it is;
            ``gap_max_m``, the widest gap the answer speaks of; ``own``, how much of the
            answer is the player's own (0 to 1), and ``own_words``. With `by` also
            ``basis``: "own level", or "as in general" where the log holds too few such
            shots (fewer than 20 attacks or resets of all players, or 5 of the player's
            own) and the general answer stands in. With fewer than five attacks or resets
            of the player's own in the cell nothing is known yet.
        """
        by = self.told_apart(by)
        return thresholds_table(self, level, by, self._asked_players(player))

    @made_once
    def rule(
        self, level: float = 0.95, by: str | Sequence[str] = (), player: str | None = None
    ) -> pd.DataFrame:
        """The gap to play by, and what it may cost.

        Attack from the gap at which 65 in 100 draws say attack, for every looser gap too:
        a little looser than the even chance, since better play later raises what one's own
        ball is worth. With fewer than four players the draws are weighed by a weak prior on
        the club's threshold (half a metre, scale 15 cm) and the even chance rules. The rule
        is there also where the threshold is not known yet.

        Parameters
        ----------
        player : str, optional
            Whose; all players' by default.
        by, level
            As in :meth:`thresholds`.

        Returns
        -------
        DataFrame
            ``player``, ``side``, ``family``, the columns of `by` and with them ``basis`` as in
            :meth:`thresholds`; ``rule_m`` (0: attack at any gap; infinite: reset at any gap);
            ``cost``, the rallies in 100 such balls that knowing the truth would save, with
            ``cost_at_most`` (NaN for a player who met no such ball); ``n_attack``, ``n_reset``;
            ``own`` and ``own_words`` as in :meth:`thresholds`.
        """
        by = self.told_apart(by)
        return rule_table(self, level, by, self._asked_players(player))

    def which_shot(
        self,
        player: str,
        side: str,
        family: str | None = None,
        gap_m: float = 0.5,
        level: float = 0.95,
        **situation: str,
    ) -> pd.DataFrame:
        """The shots for a ball, in the order of the chance that they give.

        Parameters
        ----------
        player, side, family : str
            Family may be left out where ground strokes and volleys are not told apart.
        gap_m : float, default 0.5
        level : float, default 0.95
        **situation : str
            Levels of depth, balance and so on; the player's own mix for those not named.

        Returns
        -------
        DataFrame
            By stroke and choice: ``win`` with ``win_low`` and ``win_high``, the chance of
            winning the rally with it; ``p_best``, the share of draws in which no other is
            better; ``n_shots``, own shots of the kind in the cell; ``words``: "best so far" for
            the first, "no difference known" for those that may be as good, else "worse".
        """
        check_level(level)
        self.need_fit()
        check_player(player, self.players_)
        return shots_in_order(self, player, (side, family), gap_m, level, situation)

    def follow(self, player: str, level: float = 0.95, folds: int = 5) -> pd.DataFrame:
        """Points a game that following the rule would bring, against how the player chose.

        See :mod:`sidewall.models.follow` for the estimand. It is a first step: that better
        choices would bring other rallies is left out.

        Parameters
        ----------
        player : str
        folds : int, default 5
            Parts of the matches.
        level : float, default 0.95
            Confidence level of the intervals.

        Returns
        -------
        DataFrame
            A row for each side and family, and one for all together: ``points_per_game`` with
            ``points_per_game_low`` and ``_high`` (missing with fewer than 30 rallies, or
            five own attacks or resets in a cell, which "all" then leaves out);
            ``changed``, the share of balls on which rule and player differ; ``n_shots``,
            ``n_rallies``, ``n_games``, ``n_matches``.

        Raises
        ------
        DataError
            For an unknown player, or one with a single match.
        """
        check_level(level)
        check_folds(folds)
        self.need_fit()
        one_table(self.parts, "what following the rule would bring")
        check_player(player, self.players_)
        return follow_table(self, player, level, folds)

    @made_once
    def comfort(self, level: float = 0.95, player: str | None = None) -> pd.DataFrame:
        """Forehand against backhand, by player and stroke family.

        Two differences, backhand minus forehand. In thresholds: how much looser the ball
        must be on the backhand before attacking pays; where both sides have a threshold. In
        the chance of winning: the player's own shots of the family, both sides pooled, are
        put through either side's curves, so that the two sides meet the same gaps with the
        same choices.

        Parameters
        ----------
        player : str, optional
            Whose; all players' by default.
        level : float, default 0.95
            Confidence level of the intervals.

        Returns
        -------
        DataFrame
            ``player``, ``family``, ``threshold_forehand_m``, ``threshold_backhand_m``,
            ``threshold_difference_m`` with ``_low``, ``_high``; ``win_forehand``,
            ``win_backhand``, ``win_difference`` with ``_low``, ``_high``; ``n_forehand``,
            ``n_backhand`` shots and ``n_rallies``.
        """
        return comfort_table(self, level, self._asked_players(player))

    def diagnostics(self, folds: int = 5) -> Diagnostics:
        """Held-out checks; see :func:`~sidewall.models.diagnostics.diagnose`.

        Parameters
        ----------
        folds : int, default 5
            Parts of the matches, each held out in turn.
        """
        check_folds(folds)
        self.need_fit()
        one_table(self.parts, "a held-out check")
        return diagnose(self, folds)
