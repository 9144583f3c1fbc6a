"""The rally chain: what each ball is worth to the player who is about to strike it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError, NotFittedError
from sidewall.rallies.absorbing import (
    alternating_values,
    fundamental_matrix,
    never_absorbed,
    win_share,
)
from sidewall.rallies.coarse import CoarsenessTest, coarseness
from sidewall.rallies.credit import (
    finished_next,
    loose_next,
    matched_table,
    worth_of_a_loose_ball,
)
from sidewall.rallies.intervals import state_table, value_table
from sidewall.rallies.order import ChainTest, order_test, stationarity_test
from sidewall.rallies.pooling import Pooling, ladder_rows
from sidewall.rallies.states import BallStates, LooseBall, StateRule
from sidewall.rallies.transitions import ENDS, Transitions, transitions
from sidewall.rallies.worth import shot_values

Array = NDArray[np.float64]


class RallyChain:
    """Markov chain of rally states, seen from the striker; the two players alternate.

    The quantity: P(striker wins the rally | the ball as the striker finds it), lets left
    out. A state is what a rule says about the ball (by default side, ground stroke or
    volley, and gap band); given it, what went before is taken not to matter, which
    ``order_test`` checks. Each player's transition rows are drawn toward the ladder's,
    tilted to the player's strength, by an empirical-Bayes Dirichlet.

    Parameters
    ----------
    states : StateRule, optional
        Names the state of every shot; :class:`BallStates` by default.

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
    """

    def __init__(self, states: StateRule | None = None) -> None:
        self.states = states

    def fit(self, shots: pd.DataFrame) -> RallyChain:
        """Count and pool the transitions of a log of whole rallies.

        Raises
        ------
        DataError
            When no transition between known states is left.
        """
        self._rule: StateRule = BallStates() if self.states is None else self.states
        moves = transitions(shots, self._rule)
        if not moves.known.any():
            raise DataError("no shot has both a known state and a known continuation")
        self.states_, self.players_ = moves.states, moves.players
        self._moves = moves
        self._set_counts(count_moves(moves))
        return self

    def _set_counts(self, counts: Array) -> None:
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
        self.visits_ = pd.Series(total.sum(axis=1).astype(int), index, name="shots")
        self.concentration_ = pd.Series(self.pooling_.alpha, index, name="concentration")
        self.transition_ = pd.DataFrame(ladder, index, [*self.states_, *ENDS])
        N = fundamental_matrix(ladder[:, :s])
        blank = np.where(self._usable, 1.0, np.nan)
        self.fundamental_matrix_ = pd.DataFrame(N, index, self.states_)
        self.expected_shots_ = pd.Series(N.sum(axis=1) * blank, index, name="shots left")
        value = win_share(alternating_values(ladder, ladder)[0])
        self.win_probability_ = pd.Series(value, index, name="win probability")

    def _need_fit(self) -> None:
        if not hasattr(self, "rows_"):
            raise NotFittedError("call RallyChain().fit(shots) first")

    def position(self, player: str) -> int:
        """Position of a player among ``players_``.

        Raises
        ------
        DataError
            Naming the players that the chain knows.
        """
        self._need_fit()
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
            By state: ``win_probability``, ``expected_shots``, and ``shots``, the number
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
                "shots": self.counts_[one].sum(axis=1).astype(int),
            },
            index=pd.Index(self.states_, name="state"),
        )

    def pair_values(self, rows: Array, one: NDArray, two: NDArray) -> Array:
        """Chance of winning for striker `one` against `two`, shape (..., pairs, s).

        Parameters
        ----------
        rows : ndarray, shape (..., players, s, s + 3)
            Transition rows, the fitted ``rows_`` or draws of them.
        one, two : ndarray of int, shape (pairs,)
            Positions of players.
        """
        first, _ = alternating_values(rows[..., one, :, :], rows[..., two, :, :])
        return win_share(first)

    def moves(self, shots: pd.DataFrame | None = None) -> Transitions:
        """Transitions of a log in this chain's states; of the fitted log by default."""
        self._need_fit()
        if shots is None:
            return self._moves
        return transitions(shots, self._rule, self.players_, self.states_)

    # -- answers ----------------------------------------------------------------------

    def state_values(self, draws: int = 1000, level: float = 0.95, seed: int = 0) -> pd.DataFrame:
        """Value and length of every state with rally-bootstrap intervals.

        Returns
        -------
        DataFrame
            By state: ``win_probability``, ``win_low``, ``win_high``, ``expected_shots``,
            ``shots_low``, ``shots_high``, and ``shots``, how many were played from it.
        """
        self._need_fit()
        return state_table(self, draws, level, np.random.default_rng(seed))

    def shot_values(
        self, shots: pd.DataFrame | None = None, measure: Literal["ladder", "pair"] = "ladder"
    ) -> pd.DataFrame:
        """What every shot added to its striker's chance of winning the rally.

        Over a decided rally the values of one player minus those of the other add up to
        the result (1 or 0) minus the chance at the serve, exactly.

        Parameters
        ----------
        shots : DataFrame, optional
            By default the shots that the chain was fitted to.
        measure : {"ladder", "pair"}, default "ladder"
            What a ball is worth: to average players of the ladder, so that whoever makes
            more of the same balls gains; or to the two who play, from their own chains,
            against which either gains nothing on average.

        Returns
        -------
        DataFrame
            The feature table with ``state``, ``value_before``, ``value_after`` and
            ``value``, all as chances of the striker; missing beside a let or a state
            that is not known.
        """
        return shot_values(self, self.moves(shots), measure)

    def value_by(
        self,
        by: Sequence[str] = ("player", "stroke"),
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
    ) -> pd.DataFrame:
        """Sum the shots' values, with rally-bootstrap intervals.

        Balls are worth what average players of the ladder make of them.

        Parameters
        ----------
        by : sequence of str
            Columns of the feature table, such as player, stroke, side, family, depth.

        Returns
        -------
        DataFrame
            The columns of `by`; ``points`` (rallies won or lost by these shots in all),
            ``points_per_100`` shots with ``low`` and ``high`` (missing with fewer than ten
            rallies); ``shots`` and ``rallies``.
        """
        self._need_fit()
        return value_table(self, by, draws, level, np.random.default_rng(seed))

    def set_up_credit(
        self,
        by: Sequence[str] = ("stroke", "direction"),
        loose: StateRule | None = None,
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
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

        Returns
        -------
        DataFrame
            As :func:`~sidewall.rallies.credit.matched_table`, with ``points_per_100``:
            the difference times what a loose ball is worth more than another.
        """
        self._need_fit()
        is_loose = (loose or LooseBall())(self._moves.table).to_numpy() == "loose"
        rng = np.random.default_rng(seed)
        outcome = loose_next(self._moves, is_loose)
        table = matched_table(self, outcome, by, draws, level, rng)
        worth = worth_of_a_loose_ball(self, is_loose)
        return table.assign(points_per_100=100.0 * worth * table["difference"])

    def finish_credit(
        self,
        by: Sequence[str] = ("stroke", "direction"),
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
    ) -> pd.DataFrame:
        """Which shots lead to a winner with the striker's next shot.

        Every kind of shot is set against the other shots of the same player from the same
        state, finished or not, so that the table says more than a count of winners.
        """
        self._need_fit()
        rng = np.random.default_rng(seed)
        return matched_table(self, finished_next(self._moves), by, draws, level, rng)

    def order_test(self, order: int = 1) -> ChainTest:
        """Does the past matter beyond the present state? Order 0, 1 or 2 against one more."""
        moves = self.moves()
        return order_test(moves.start, moves.rally, order, len(moves.states))

    def stationarity_test(self, by: str = "game") -> ChainTest:
        """Are the transitions the same in every game (or match, or other column)?

        Different players meet in different matches, so that by match the answer is no
        wherever players differ.
        """
        moves = self.moves()
        period = pd.factorize(moves.table[by])[0]
        known = moves.known & (period >= 0)
        return stationarity_test(moves.start[known], moves.target[known], period[known])

    def coarseness_test(self) -> CoarsenessTest:
        """Does the gap still say something about the result within a state?"""
        return coarseness(self, self.moves())


def count_moves(moves: Transitions) -> Array:
    """Transition counts by player, shape (players, s, s + 3)."""
    s, players = len(moves.states), len(moves.players)
    known = moves.known
    code = (moves.striker * s + moves.start) * (s + 3) + moves.target
    counts = np.bincount(code[known], minlength=players * s * (s + 3))
    return counts.reshape(players, s, s + 3).astype(float)
