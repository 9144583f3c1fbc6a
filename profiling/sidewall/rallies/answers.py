"""What a fitted rally chain answers: values of balls and shots, credit, its own checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, cast

import numpy as np
import pandas as pd

from sidewall.arguments import (
    Keep,
    Table,
    as_frame,
    check_count,
    check_level,
    check_seed,
    check_word,
    kept_rows,
)
from sidewall.features.parts import Parts
from sidewall.rallies.coarse import CoarsenessTest, coarseness
from sidewall.rallies.credit import (
    finished_next,
    loose_next,
    matched_table,
)
from sidewall.rallies.intervals import state_table, value_table
from sidewall.rallies.order import ChainTest, order_test, stationarity_test
from sidewall.rallies.states import LooseBall, StateRule
from sidewall.rallies.worth import shot_values

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain


class ChainAnswers:
    """Answers of a fitted :class:`~sidewall.rallies.RallyChain`."""

    _parts: Parts

    @property
    def _chain(self) -> RallyChain:
        chain = cast("RallyChain", self)
        chain._need_fit()
        return chain

    def state_values(self, draws: int = 1000, level: float = 0.95, seed: int = 0) -> pd.DataFrame:
        """Value and length of every state with rally-bootstrap intervals.

        Returns
        -------
        DataFrame
            By state: ``win_probability``, ``win_low``, ``win_high``, ``expected_shots``,
            ``shots_low``, ``shots_high``, and ``shots``, how many were played from it.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        return state_table(self._chain, draws, level, np.random.default_rng(seed))

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
            What a ball is worth: to average players of the ladder, so that whoever makes
            more of the same balls gains; or to the two who play, from their own chains,
            against which either gains nothing on average.
        keep : str, callable or sequence of bool, optional
            Which shots the table is made of: a query such as ``"balance == 'set'"``, a
            function of the feature table, or one true or false a shot. What a shot led to
            still comes from all of them.

        Returns
        -------
        DataFrame
            The feature table with ``state``, ``value_before``, ``value_after`` and
            ``value``, all as chances of the striker; missing beside a let or a state
            that is not known.
        """
        shots = None if shots is None else as_frame(shots)
        moves = self._chain.moves(shots)
        found = shot_values(self._chain, moves, measure)
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
            Columns of the feature table, such as player, stroke, side, family, depth.
        keep : str, callable or sequence of bool, optional
            Which shots the table is made of: a query such as ``"balance == 'set'"``, a
            function of the feature table, or one true or false a shot. What a shot led to
            still comes from all of them.

        Returns
        -------
        DataFrame
            The columns of `by`; ``points`` (rallies won or lost by these shots in all)
            and ``points_per_100`` shots, each with its ends, ``points_low`` and so on
            (missing with fewer than ten rallies); ``shots`` and ``rallies``.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        rng = np.random.default_rng(seed)
        return value_table(self._chain, by, draws, level, rng, keep)

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
        is_loose = (loose or LooseBall())(self._chain.moves().table).to_numpy() == "loose"
        rng = np.random.default_rng(seed)
        outcome = loose_next(self._chain.moves(), is_loose)
        return matched_table(self._chain, outcome, by, draws, level, rng, is_loose, keep)

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
        state, finished or not, so that the table says more than a count of winners. `keep`
        as for `set_up_credit`.
        """
        check_count(draws, "draws", 2)
        check_level(level)
        check_seed(seed)
        rng = np.random.default_rng(seed)
        outcome = finished_next(self._chain.moves())
        return matched_table(self._chain, outcome, by, draws, level, rng, keep=keep)

    def order_test(self, order: int = 1) -> ChainTest:
        """Does the past matter beyond the present state? Order 0, 1 or 2 against one more."""
        check_count(order, "order", 0, 2)
        moves = self._chain.moves()
        return order_test(moves.start, moves.rally, order, len(moves.states))

    def stationarity_test(self, by: str = "game") -> ChainTest:
        """Are the transitions the same in every game (or match, or other column)?

        Different players meet in different matches, so that by match the answer is no
        wherever players differ.
        """
        moves = self._chain.moves()
        check_word(by, map(str, moves.table.columns), "by")
        period = pd.factorize(moves.table[by])[0]
        known = moves.known & (period >= 0)
        return stationarity_test(moves.start[known], moves.target[known], period[known])

    def coarseness_test(self) -> CoarsenessTest:
        """Does the gap still say something about the result within a state?"""
        return coarseness(self._chain, self._parts)
