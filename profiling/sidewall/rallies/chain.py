"""The rally chain: what each ball is worth to the player who is about to strike it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Table, as_frame
from sidewall.errors import DataError, NotFittedError
from sidewall.features.parts import OneTable, Parts, as_parts, one_table
from sidewall.rallies.absorbing import (
    alternating_values,
    fundamental_matrix,
    never_absorbed,
    win_share,
)
from sidewall.rallies.answers import ChainAnswers
from sidewall.rallies.chain_counts import ChainCounts, CountPart, PairsPart, add_up, count_moves
from sidewall.rallies.pooling import Pooling, ladder_rows
from sidewall.rallies.states import BallStates, StateRule
from sidewall.rallies.transitions import ENDS, Transitions, transitions

__all__ = ["RallyChain", "count_moves"]

Array = NDArray[np.float64]

_CHUNK_PAIRS = 1000


class RallyChain(ChainAnswers):
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
    pairs_ : ndarray of int
        Who struck against whom: ``striker * players + opponent``, rising.
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
        self._parts, self._moves = parts, None
        if isinstance(self._parts, OneTable):
            self._moves = transitions(self._parts.table, self.rule_)
            found = ChainCounts.of(self._moves)
        else:
            found = add_up(self._parts.each(CountPart(self.rule_)))
        if not found.counts.any():
            raise DataError("no shot has both a known state and a known continuation")
        self.states_, self.players_, self.pairs_ = found.states, found.players, found.pairs
        self._set_counts(found.counts)
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

    def values_of_pairs(self, rows: Array, pairs: NDArray[np.int64]) -> Array:
        """Chance of winning for the striker of every pair, shape (pairs, s).

        Parameters
        ----------
        rows : ndarray, shape (players, s, s + 3)
            Transition rows, the fitted ``rows_`` or a draw of them.
        pairs : ndarray of int, shape (pairs,)
            ``striker * players + opponent``.
        """
        one, two = np.divmod(pairs, len(self.players_))
        # either order of two players comes out of one system of equations
        meeting, turn = np.unique(
            np.minimum(one, two) * len(self.players_) + np.maximum(one, two), return_inverse=True
        )
        found = np.empty((2, len(meeting), len(self.states_)))
        for at in range(0, len(meeting), _CHUNK_PAIRS):
            some = slice(at, at + _CHUNK_PAIRS)
            both = np.divmod(meeting[some], len(self.players_))
            first, second = alternating_values(rows[both[0]], rows[both[1]])
            found[:, some] = win_share(first), win_share(second)
        return found[(one > two).astype(int), turn]

    def pairs_of(self, parts: Parts) -> NDArray[np.int64]:
        """Pairs who meet in another log, as ``pairs_``.

        Raises
        ------
        DataError
            When a player is new to the chain, or a state.
        """
        self._need_fit()
        if parts is self._parts:
            return self.pairs_
        found = parts.each(PairsPart(self.rule_, self.players_, self.states_))
        return np.unique(np.concatenate(list(found)))

    def moves(self, shots: Table | None = None) -> Transitions:
        """Transitions of a log in this chain's states; of the fitted log by default.

        Raises
        ------
        DataError
            When the chain was fitted to a log in parts and no shots are given.
        """
        table = None if shots is None else as_frame(shots)
        self._need_fit()
        if table is not None:
            return transitions(table, self.rule_, self.players_, self.states_)
        if self._moves is None:
            one_table(self._parts, "this answer about a chain")
        assert self._moves is not None
        return self._moves
