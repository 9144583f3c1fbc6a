"""The chain of two simulated players, solved exactly: what every ball and every rule is worth.

By linear algebra on the chain's own gap grid. A ball on its way is known by its kind, its level
and, where position carries over, by who is out of place. Where it is met and how loose it is
hangs on these alone, so the equations are written for balls on their way: 77 or 308 of them for
each player, and not one for every ball that can be met.
"""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np
from scipy.special import expit

from sidewall.arguments import Array
from sidewall.simulate import world as physics
from sidewall.simulate.world import SimPlayer, World

#: Shape of a ball that is met: side, family, depth, balance, gap.
BALL = (*physics.CELL, len(physics.GAPS_M))
_CODES = np.ix_(*(range(size) for size in BALL))
_AT: Any = (*_CODES[:4], physics.GAPS_M[_CODES[4]])


class _Striker(NamedTuple):
    """What a player does with every ball, whoever the opponent is.

    ``attack`` (ease, *ball) and ``mix`` (stroke, *ball) make the habit; ``error`` and
    ``winner`` (log odds) have shape (ease, out, stroke, *ball); ``left``, the level of the
    ball left, (out, stroke, *ball, level).
    """

    attack: Array
    mix: Array
    error: Array
    winner: Array
    left: Array


@lru_cache(maxsize=32)
def _striker(world: World, player: SimPlayer) -> _Striker:
    a = physics.stack([player])
    ones = (1,) * len(BALL)
    ease, out = world.eases.reshape(-1, *ones), np.arange(world.bits).reshape(-1, 1, *ones)
    strokes = np.arange(len(physics.PLAYED)).reshape(-1, *ones)
    shape = (len(ease), world.bits, len(physics.PLAYED), *BALL)
    error, winner, reply, middle = (
        np.broadcast_to(part, shape)
        for part in world.shot(a, 0, _AT, strokes, out, ease[:, None, None])
    )
    attack = np.broadcast_to(world.attack_chance(a, 0, _AT, ease), (len(ease), *BALL))
    mix = np.moveaxis(physics.stroke_mix(a, 0, *_CODES[1:4]), -1, 0)
    lower, share = physics.levels(reply[0][..., None])  # whatever the ease
    left = np.zeros((*shape[1:], physics.LEVELS))
    np.put_along_axis(left, lower, 1.0 - share, axis=-1)
    np.put_along_axis(left, lower + 1, share, axis=-1)
    left *= 1.0 - middle[0][..., None]
    left[..., physics.MIDDLE] = middle[0]
    return _Striker(attack, np.broadcast_to(mix, (len(physics.PLAYED), *BALL)), error, winner, left)


class Pair:
    """The chain of two players, solved at their habits or at another rule of choosing.

    What is asked of one player takes 0 for the first and 1 for the second.

    Parameters
    ----------
    world : World
    one, two : SimPlayer
    attack : ndarray, shape (side, family, depth, balance, gap), optional
        Chance that the first player attacks, in place of the habit.

    See Also
    --------
    sidewall.simulate.occupancy
    sidewall.simulate.rule_gains

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> pair = sw.simulate.Pair(sw.simulate.World(), *players)
    >>> round(pair.rallies_won, 2)
    0.54
    """

    def __init__(
        self, world: World, one: SimPlayer, two: SimPlayer, attack: Array | None = None
    ) -> None:
        self.world, self._strikers = world, (_striker(world, one), _striker(world, two))
        self._attack = [s.attack for s in self._strikers]
        if attack is not None:
            self._attack[0] = np.broadcast_to(attack, self._attack[0].shape)
        hands = one.hand != two.hand
        self._kind = physics.kind_of(np.arange(len(physics.PLAYED))[:, None], np.arange(2), hands)
        self._coming_shape = (len(physics.KINDS), physics.LEVELS, world.bits, world.bits)
        self._ends = [self._shot_ends(0, two), self._shot_ends(1, one)]
        (self._moves_one, ends), (self._moves_two, ends_two) = self._onward(0), self._onward(1)
        # W1 = w1 + T1 L2 and L1 = e1 + T1 W2: the opponent's loss is the striker's win
        self._system = np.eye(len(ends)) - self._moves_one @ self._moves_two
        first = np.linalg.solve(self._system, ends + self._moves_one @ ends_two[:, ::-1])
        both = first, ends_two + self._moves_two @ first[:, ::-1]
        self._coming = [values.reshape(*self._coming_shape, 2) for values in both]

    def _choose(self, me: int, attack: Array | None = None) -> Array:
        """Chance of each stroke by habit or by a rule, shape (ease, stroke, *ball)."""
        attack = self._attack[me] if attack is None else attack
        by_choice = np.stack([attack, 1.0 - attack], axis=1)
        return np.asarray(self._strikers[me].mix * by_choice[:, physics.CHOICE_OF])

    def _shot_ends(self, me: int, opponent: SimPlayer) -> tuple[Array, Array, Array]:
        """Winning, losing and going on, each (ease, out, opponent out, stroke, *ball)."""
        striker, kept = self._strikers[me], 1.0 - self.world.let
        outs = np.arange(self.world.bits).reshape(-1, 1, *(1,) * len(BALL))
        error = striker.error[:, :, None]
        opened = physics.open_to_winners(physics.stack([opponent]), 0, outs)
        wins = (1.0 - error) * expit(striker.winner[:, :, None] + opened)
        return kept * wins, kept * np.broadcast_to(error, wins.shape), kept * (1.0 - error - wins)

    def _still(self, out: int) -> Array:
        """Chance of being in and out of place next, shape (out next, balance)."""
        still = self.world.still_out(np.arange(2), out)
        return np.stack([1.0 - still, still])[: self.world.bits]

    def _onward(self, me: int) -> tuple[Array, Array]:
        """From balls coming to a player to balls coming to the opponent, and to the ends."""
        choose = self._choose(me)
        moves = np.zeros((*self._coming_shape, *self._coming_shape))
        ends = np.zeros((*self._coming_shape, 2))
        for out, other in np.ndindex(self._coming_shape[2:]):
            win, lose, on = (
                (choose * part[:, out, other]).mean(axis=0)[..., None] for part in self._ends[me]
            )
            made = np.concatenate([self._strikers[me].left[out] * on, win, lose], axis=-1)
            by_level = np.tensordot(self.world.gap_table, made, axes=(1, 5))
            after = np.einsum("klsfdb,lcsfdbx->klscbx", self.world.cell_table[:, :, out], by_level)
            ends[:, :, out, other] = after[..., physics.LEVELS :].sum(axis=(2, 3, 4))
            sent = np.einsum("klscbx,rb->klscxr", after[..., : physics.LEVELS], self._still(out))
            for (stroke, side), kind in np.ndenumerate(self._kind):
                moves[:, :, out, other, kind, :, other] += sent[:, :, side, stroke]
        size = ends.size // 2
        return moves.reshape(size, size), ends.reshape(size, 2)

    def _returned(self, me: int, out: int, other: int) -> Array:
        """What the ball that a shot leaves is worth, shape (stroke, *ball, (won, lost))."""
        coming = self._coming[1 - me][:, :, other, :, ::-1]
        worth = np.einsum("klrw,rb->kblw", coming, self._still(out))[self._kind]
        left = self._strikers[me].left[out]
        return np.asarray(np.einsum("csfdbgl,csblw->csfdbgw", left, worth, optimize=True))

    @cached_property
    def _serve_ends(self) -> Array:
        """Winning and losing the rally for each player as server, shape (player, 2)."""
        at_once = np.array([self.world.serve_winner, self.world.serve_error])
        coming = np.array([self._coming[you][physics.SERVE_KIND, :, 0, 0] for you in (1, 0)])
        later = (1.0 - at_once.sum()) * np.einsum("l,plw->pw", self.world.serve_levels, coming)
        return np.asarray((1.0 - self.world.let) * (at_once + later[:, ::-1]))

    @cached_property
    def server(self) -> tuple[float, float]:
        """P(wins the rally | serves), lets left out, of each player."""
        one, two = self._serve_ends[:, 0] / self._serve_ends.sum(axis=1)
        return float(one), float(two)

    @cached_property
    def rallies_won(self) -> float:
        """Share of the rallies that the first player wins in the long run, lets left out.

        Whoever wins a rally serves the next one.
        """
        serving, receiving = self.server[0], 1.0 - self.server[1]
        return receiving / (1.0 - serving + receiving)

    @cached_property
    def _balls(self) -> list[Array]:
        """Own balls of each player for each decided rally, (*ball, out, opponent out).

        A let is played again.
        """
        world, start = self.world, np.zeros(self._coming_shape)
        in_play = (1.0 - world.let) * (1.0 - world.serve_winner - world.serve_error)
        start[physics.SERVE_KIND, :, 0, 0] = in_play * world.serve_levels
        served = np.array([self.rallies_won, 1.0 - self.rallies_won])
        second, first = np.multiply.outer(served / self._serve_ends.sum(axis=1), start.ravel())
        to_one = np.linalg.solve(self._system.T, first + second @ self._moves_two)
        visits = (to_one, second + to_one @ self._moves_one)
        path, tables = "klro,klrsfdb,lg->sfdbgro", (world.cell_table, world.gap_table)
        return [np.einsum(path, v.reshape(start.shape), *tables, optimize=True) for v in visits]

    def own_balls(self, me: int) -> Array:
        """Own balls for each decided rally, shape (*ball).

        Parameters
        ----------
        me : {0, 1}
            Which of the two.
        """
        return np.asarray(self._balls[me].sum(axis=(-2, -1)))

    def mix(self, me: int) -> Array:
        """Share of each stroke within its choice, shape (stroke, side, family, depth, balance).

        Parameters
        ----------
        me : {0, 1}
            Which of the two.
        """
        return self._strikers[me].mix[..., 0].copy()

    def _averaged(self, me: int, choose: Array) -> Array:
        """Won and lost with every stroke, weighted by `choose`, shape (stroke, *ball, 2).

        What no log holds is averaged: the ease over all its values, who is out of place over
        the striker's own balls of that description.
        """
        weight = self._balls[me]
        weight = weight / np.maximum(weight.sum(axis=(-2, -1), keepdims=True), 1e-300)
        total = np.zeros((len(physics.PLAYED), *BALL, 2))
        for at in np.ndindex(weight.shape[-2:]):
            win, lose, on = (
                (choose * part[(slice(None), *at)]).mean(axis=0) for part in self._ends[me]
            )
            value = self._returned(me, *at) * on[..., None] + np.stack([win, lose], axis=-1)
            total += value * weight[(..., *at)][..., None]
        return total

    def chances(self, me: int) -> Array:
        """P(striker wins | ball, stroke), lets left out, shape (stroke, *ball).

        As if the stroke were chosen irrespective of what no log holds.

        Parameters
        ----------
        me : {0, 1}
            Which of the two.
        """
        return _won(self._averaged(me, np.ones(1)))

    def by_ball(self, me: int) -> Array:
        """P(striker wins | ball) as the player chooses, lets left out, shape (*ball).

        Parameters
        ----------
        me : {0, 1}
            Which of the two.
        """
        return _won(self._averaged(me, self._choose(me)).sum(axis=0))

    def advantage(self, attack: Array) -> float:
        """Rallies that the first player would gain for each decided one, to first order.

        Sum over the own balls of the chance at another rule minus the chance at the present
        one, each for one shot with the present choices after it; and a rally more is a serve
        more.

        Parameters
        ----------
        attack : ndarray, shape (*ball)
            The rule: chance of attacking, whatever the unseen ease.
        """
        change = self._choose(0, attack[None]) - self._choose(0)
        gain = np.einsum("csfdbgw,sfdbg->w", self._averaged(0, change), self.own_balls(0))
        direct = (1.0 - self.rallies_won) * gain[0] - self.rallies_won * gain[1]
        return float(direct / (2.0 - sum(self.server)))

    @cached_property
    def rallies_a_game(self) -> float:
        """Mean number of decided rallies in a game to 11, two clear."""
        points = np.arange(40)
        over = np.maximum.outer(points, points) >= 11
        over &= np.abs(np.subtract.outer(points, points)) >= 2
        going, total = np.zeros((40, 40, 2)), 0.0  # own points, other points, who serves
        going[0, 0] = self.rallies_won, 1.0 - self.rallies_won
        win = np.array([self.server[0], 1.0 - self.server[1]])
        while going.sum() > 1e-9:
            total += float(going.sum())
            later = np.zeros_like(going)
            later[1:, :, 0] += (going @ win)[:-1]
            later[:, 1:, 1] += (going @ (1.0 - win))[:, :-1]
            later[over] = 0.0
            going = later
        return total


def _won(value: Array) -> Array:
    return np.asarray(value[..., 0] / value.sum(axis=-1))
