"""The rally chain: what each ball is worth to the player who is about to strike it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd

from sidewall.arguments import (
    Floats,
    Keep,
    Table,
    as_frame,
    check_count,
    check_level,
    check_seed,
    check_word,
    kept_rows,
)
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.features.parts import OneTable, Parts, as_parts, one_table
from sidewall.rallies.absorbing import (
    alternating_values,
    fundamental_matrix,
    never_absorbed,
    win_share,
)
from sidewall.rallies.credit import (
    finished_next,
    loose_next,
    matched_table,
)
from sidewall.rallies.in_short import has_short_rows
from sidewall.rallies.intervals import state_table
from sidewall.rallies.order import ChainTest, order_test, stationarity_test
from sidewall.rallies.pooling import Pooling, ladder_rows
from sidewall.rallies.states import BallStates, LooseBall, StateRule
from sidewall.rallies.transitions import (
    ENDS,
    ChainCounts,
    CountPart,
    Transitions,
    add_up,
    transitions,
)
from sidewall.rallies.value import BallValue
from sidewall.rallies.worth import shot_values, value_table


class RallyChain(Estimator):
    """Markov chain of rally states, seen from the striker; the two players alternate.

    The quantity: P(striker wins the rally | the ball as the striker finds it), lets left
    out. A state is what a rule says about the ball (by default side, ground stroke or
    volley, and gap band); given it, what went before is taken not to matter, which
    ``order_test`` checks. Each player's transition rows are drawn toward the ladder's,
    tilted to the player's strength, by an empirical-Bayes Dirichlet.

    Parameters
    ----------
    states : StateRule, optional
        Names the state of every shot; :class:`BallStates` by default. Shots charted in short
        get states of their own in it where the log has any.

    Attributes
    ----------
    states_, players_ : list of str
    counts_ : ndarray, shape (players, s, s + 3)
        Moves seen: to the opponent's next state, then win, lose, let.
    visits_ : Series
        Shots played from each state.
    concentration_ : Series
        By state: how many shots of one's own weigh as much as the row to expect of a
        player of one's strength; see :mod:`sidewall.rallies.pooling`.
    transition_ : DataFrame, s x (s + 3)
        The ladder's rows.
    rows_ : ndarray, shape (players, s, s + 3)
        Each player's pooled rows.
    win_probability_ : Series
        By state, between two players of the ladder's average.
    expected_shots_ : Series
        By state, shots until the rally ends, the striker's own among them.
    fundamental_matrix_ : DataFrame, s x s
        Expected visits to each state, by either player, before the rally ends.
    notes_ : list of str
        States never reached, or from which no rally was seen to end.

    See Also
    --------
    BallStates
    plot_chain
    plot_transitions
    plot_rally

    Examples
    --------
    >>> chain = sw.RallyChain(sw.BallStates(bands_m=(0.4,))).fit(shots)
    >>> chain.win_probability_.round(1).head(3)
    state
    serve                      0.5
    forehand ground 0-40 cm    0.5
    forehand ground 40+ cm     0.5
    Name: win probability, dtype: float64
    >>> table = chain.state_values(draws=20)
    """

    _result = "rows_"

    def __init__(self, states: StateRule | None = None) -> None:
        self.states = states

    def fit(self, shots: Table | Parts) -> RallyChain:
        """Count and pool the transitions of a log of whole rallies.

        Parameters
        ----------
        shots : DataFrame or Parts
            A log in parts (see :mod:`sidewall.scale`) gives the same chain; answers that
            need the shots themselves then ask for them.

        Raises
        ------
        DataError
            When no transition between known states is left, or shots of a rally are missing.
        """
        parts = as_parts(shots)
        self.rule_: StateRule = BallStates() if self.states is None else self.states
        if isinstance(self.rule_, BallStates) and any([*parts.each(has_short_rows)]):
            self.rule_ = replace(self.rule_, in_short=True)
        self._parts, self._moves = parts, None
        if isinstance(self._parts, OneTable):
            self._moves = transitions(self._parts.table, self.rule_)
            found = ChainCounts.of(self._moves)
        else:
            found = add_up(self._parts.each(CountPart(self.rule_)))
        if not found.counts.any():
            raise DataError("no shot has both a known state and a known continuation")
        self.states_, self.players_ = found.states, found.players
        self._set_counts(found.counts)
        return self

    def _set_counts(self, counts: Floats) -> None:
        s = len(self.states_)
        total = counts.sum(axis=0)
        reached = total.sum(axis=1) > 0
        stuck = never_absorbed(ladder_rows(counts)[:, :s]) & reached
        self.notes_ = [f"never reached: {self.states_[k]}" for k in np.flatnonzero(~reached)]
        self.notes_ += [f"never left: {self.states_[k]}" for k in np.flatnonzero(stuck)]
        counts = np.where(stuck[:, None], 0.0, counts)
        self.counts_, self._usable = counts, reached & ~stuck
        self.pooling_ = Pooling.fit(counts)
        self.rows_ = self.pooling_.rows(counts)
        ladder = ladder_rows(counts)
        index = pd.Index(self.states_, name="state")
        self.visits_ = pd.Series(total.sum(axis=1).astype(int), index, name="n_shots")
        self.concentration_ = pd.Series(self.pooling_.alpha, index, name="concentration")
        self.transition_ = pd.DataFrame(ladder, index, [*self.states_, *ENDS])
        N = fundamental_matrix(ladder[:, :s])
        blank = np.where(self._usable, 1.0, np.nan)
        self.fundamental_matrix_ = pd.DataFrame(N, index, self.states_)
        self.expected_shots_ = pd.Series(N.sum(axis=1) * blank, index, name="shots left")
        value = win_share(alternating_values(ladder, ladder)[0])
        self.win_probability_ = pd.Series(value, index, name="win probability")

    def position(self, player: str) -> int:
        """Position of a player among ``players_``.

        Parameters
        ----------
        player : str

        Raises
        ------
        DataError
            Naming the players that the chain knows.
        """
        self.need_fit()
        if player not in self.players_:
            raise DataError(
                f"no player {player!r} in the chain; it knows {', '.join(self.players_)}"
            )
        return self.players_.index(player)

    def pair(self, player: str, opponent: str | None = None) -> pd.DataFrame:
        """What each ball is worth to one player against another.

        Parameters
        ----------
        player : str
        opponent : str, optional
            By default the ladder's average.

        Returns
        -------
        DataFrame
            By state: ``win_probability``, ``expected_shots``, and ``n_shots``, the number
            of the player's own from that state (0: all comes from the ladder).
        """
        one = self.position(player)
        mine = self.rows_[one]
        theirs = (
            self.transition_.to_numpy() if opponent is None else self.rows_[self.position(opponent)]
        )
        s = len(self.states_)
        both = np.block([[np.zeros((s, s)), mine[:, :s]], [theirs[:, :s], np.zeros((s, s))]])
        left = fundamental_matrix(both).sum(axis=1)[:s]
        blank = np.where(self._usable, 1.0, np.nan)
        return pd.DataFrame(
            {
                "win_probability": win_share(alternating_values(mine, theirs)[0]),
                "expected_shots": left * blank,
                "n_shots": self.counts_[one].sum(axis=1).astype(int),
            },
            index=pd.Index(self.states_, name="state"),
        )

    def moves(self, shots: Table | None = None) -> Transitions:
        """Transitions of a log in this chain's states; of the fitted log by default.

        Parameters
        ----------
        shots : DataFrame, optional
            A canonical shot table of whole rallies; the fitted log by default.

        Raises
        ------
        DataError
            When the chain was fitted to a log in parts and no shots are given.
        """
        table = None if shots is None else as_frame(shots)
        self.need_fit()
        if table is not None:
            return transitions(table, self.rule_, self.players_, self.states_)
        if self._moves is None:
            one_table(self._parts, "this answer about a chain")
        assert self._moves is not None
        return self._moves

    # -- answers --------------------------------------------------------------------------

    @property
    def ball_value_(self) -> BallValue:
        """The value of a ball, fitted to the same log when it is first asked for."""
        if not hasattr(self, "_ball_value"):
            self._ball_value = BallValue().fit(self._parts)
        return self._ball_value

    def state_values(self, draws: int = 1000, level: float = 0.95, seed: int = 0) -> pd.DataFrame:
        """Value and length of every state with rally-bootstrap intervals.

        Parameters
        ----------
        draws : int, default 1000
            Of the rally bootstrap.
        level : float, default 0.95
            Confidence level of the intervals.
        seed : int, default 0

        Returns
        -------
        DataFrame
            By state: ``win_probability``, ``win_probability_low``, ``win_probability_high``,
            ``expected_shots`` with its ends, and ``n_shots``, how many were played from it.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        return state_table(self, draws, level, np.random.default_rng(seed))

    def shot_values(
        self,
        shots: Table | None = None,
        measure: Literal["ladder", "pair"] = "ladder",
        keep: Keep | None = None,
    ) -> pd.DataFrame:
        """What every shot added to its striker's chance of winning the rally.

        Over a decided rally the values of one player minus those of the other add up to
        the result (1 or 0) minus the chance at the serve, exactly.

        Parameters
        ----------
        shots : DataFrame, optional
            By default the shots that the chain was fitted to; whole rallies.
        measure : {"ladder", "pair"}, default "ladder"
            What a ball is worth (:class:`~sidewall.rallies.value.BallValue`): to average
            players of the ladder, so that whoever makes more of the same balls gains; or to
            the two who play, their strengths counted.
        keep : str, callable or sequence of bool, optional
            Which shots the table is made of: a query such as ``"balance == 'set'"``, a
            function of the feature table, or one true or false a shot. What a shot led to
            still comes from all of them.

        Returns
        -------
        DataFrame
            The feature table with ``state``, ``value_before``, ``value_after`` and
            ``value``, all as chances of the striker; missing where the rally was a let.
        """
        shots = None if shots is None else as_frame(shots)
        moves = self.moves(shots)
        found = shot_values(moves, self.ball_value_, measure)
        return found if keep is None else found[kept_rows(moves.table, keep)]

    def value_by(
        self,
        by: str | Sequence[str] = ("player", "stroke"),
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
        keep: Keep | None = None,
    ) -> pd.DataFrame:
        """Sum the shots' values, with rally-bootstrap intervals.

        Balls are worth what average players of the ladder make of them.

        Parameters
        ----------
        by : sequence of str
            Columns of the feature table, such as player, stroke, side, family, depth. Shots
            with a blank in one of them, such as those charted in short, are left out.
        keep : str, callable or sequence of bool, optional
            Which shots the table is made of: a query such as ``"balance == 'set'"``, a
            function of the feature table, or one true or false a shot. What a shot led to
            still comes from all of them.
        draws : int, default 1000
            Of the rally bootstrap.
        level : float, default 0.95
            Confidence level of the intervals.
        seed : int, default 0

        Returns
        -------
        DataFrame
            The columns of `by`; ``points`` (rallies won or lost by these shots in all)
            and ``points_per_100`` shots, each with its ends, ``points_low`` and so on
            (missing with fewer than ten rallies); ``n_shots`` and ``n_rallies``.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        rng = np.random.default_rng(seed)
        return value_table(self.moves(), self.ball_value_, by, draws, level, rng, keep)

    def set_up_credit(
        self,
        by: str | Sequence[str] = ("stroke", "direction"),
        loose: StateRule | None = None,
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
        keep: Keep | None = None,
    ) -> pd.DataFrame:
        """Which shots make the striker's next ball loose, and the points that brings.

        See :mod:`sidewall.rallies.credit` for the comparison.

        Parameters
        ----------
        by : sequence of str
            Columns that make a kind of shot; add "player" for a table by player.
        loose : StateRule, optional
            Says of every ball whether it is "loose"; by default
            ``LooseBall()``, the fixed cut. ``LooseBall(model.thresholds())`` judges by
            each player's own threshold where it is known.
        keep : str, callable or sequence of bool, optional
            Which shots the table is made of: a query such as ``"balance == 'set'"``, a
            function of the feature table, or one true or false a shot. What a shot led to
            still comes from all of them.
        draws : int, default 1000
            Of the rally bootstrap.
        level : float, default 0.95
            Confidence level of the intervals.
        seed : int, default 0

        Returns
        -------
        DataFrame
            As :func:`~sidewall.rallies.credit.matched_table`, with
            ``points_per_100``, ``points_per_100_low`` and ``points_per_100_high``: the
            difference times what a loose ball is worth more than another, both in every
            redrawn set of rallies.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        is_loose = (loose or LooseBall())(self.moves().table).to_numpy() == "loose"
        rng = np.random.default_rng(seed)
        outcome = loose_next(self.moves(), is_loose)
        return matched_table(self, outcome, by, draws, level, rng, is_loose, keep)

    def finish_credit(
        self,
        by: str | Sequence[str] = ("stroke", "direction"),
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
        keep: Keep | None = None,
    ) -> pd.DataFrame:
        """Which shots lead to a winner with the striker's next shot.

        Every kind of shot is set against the other shots of the same player from the same
        state, finished or not, so that the table says more than a count of winners.

        Parameters
        ----------
        by, keep, draws, level, seed
            As in :meth:`set_up_credit`.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        rng = np.random.default_rng(seed)
        outcome = finished_next(self.moves())
        return matched_table(self, outcome, by, draws, level, rng, keep=keep)

    def order_test(self, order: int = 1, permutations: int = 199, seed: int = 0) -> ChainTest:
        """Does the past matter beyond the present state? Order 0, 1 or 2 against one more.

        The answer is ``p_value``: the chance that moves lie at least as unevenly as these where
        a chain of this order has made them, the same for all players. The past is shuffled
        among the moves with the same present, which such a chain makes fair, so it is right
        for a log of any size. Past balls also tell who plays whom: where players differ much,
        the answer may be yes for that reason.

        Parameters
        ----------
        order : {1, 0, 2}, default 1
            Shots that are taken to be enough to know the next.
        permutations : int, default 199
            Shuffles; with 0, ``p_value`` is NaN.
        seed : int, default 0
            Of the shuffles.

        Returns
        -------
        ChainTest
            With ``p_value``; and ``p_g`` and ``p_chi_square``, the classical p-values of a
            likelihood-ratio and of Pearson's test, where at most a fifth of the cells are thin.

        Examples
        --------
        >>> chain.order_test(0, permutations=99).p_value
        0.01
        """
        check_count(order, "order", 0, 2)
        check_count(permutations, "permutations", 0)
        check_seed(seed)
        moves = self.moves()
        return order_test(moves.start, moves.rally, order, len(moves.states), permutations, seed)

    def stationarity_test(
        self, by: str = "game", permutations: int = 199, seed: int = 0
    ) -> ChainTest:
        """Are the transitions the same in every game (or match, or other column)?

        The answer is ``p_value``: the chance that games differ at least as much as these where
        any rally might as well have been played in another game of its match. Whole rallies
        are shuffled, so their moves may depend on one another, and within matches, so players
        and days may differ. A column that does not change within matches is shuffled over all
        of the log; different players meet in different matches, so that by match the answer is
        no wherever players differ.

        Parameters
        ----------
        by : str, default "game"
            Column whose values are compared. One that changes within a rally has no
            ``p_value``.
        permutations, seed
            As in :meth:`order_test`.

        Returns
        -------
        ChainTest
            As of :meth:`order_test`.

        Examples
        --------
        >>> chain.stationarity_test("match", permutations=99).p_value < 0.05
        True
        """
        check_count(permutations, "permutations", 0)
        check_seed(seed)
        moves = self.moves()
        check_word(by, map(str, moves.table.columns), "by")
        period = pd.factorize(moves.table[by])[0]
        known = moves.known & (period >= 0)
        match = pd.factorize(moves.table["match"])[0]
        return stationarity_test(
            moves.start[known],
            moves.target[known],
            period[known],
            moves.rally[known],
            match[known],
            permutations,
            seed,
        )
