"""Exact values of the simulated rally chain, by linear algebra on its own gap grid.

A ball on its way is known by its kind, its level and, where position carries over, by who is
out of place. Where it is met and how loose it is hangs on these alone, so the equations are
written for balls on their way: 77 or 308 of them for each player, and not one for every ball
that can be met.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.simulate.players import PLAYED, SimPlayer
from sidewall.simulate.world import (
    CELL,
    CHOICE_OF,
    GAPS_M,
    KINDS,
    LEVELS,
    MIDDLE,
    SERVE_KIND,
    Abilities,
    World,
    attack_chance,
    cell_table,
    gap_table,
    kind_of,
    levels,
    open_to_winners,
    serve_levels,
    shot,
    stroke_mix,
)

Array = NDArray[np.float64]

#: Shape of a ball that is met: side, family, depth, balance, gap.
BALL = (*CELL, len(GAPS_M))
_CODES = np.ix_(*(range(size) for size in BALL))
_AT: Any = (*_CODES[:4], GAPS_M[_CODES[4]])
_STROKE = np.arange(len(PLAYED)).reshape(-1, 1, 1, 1, 1, 1)
_WON, _LOST = LEVELS, LEVELS + 1


class Form:
    """A player's abilities, to be looked up by value: arrays cannot be."""

    def __init__(self, player: SimPlayer) -> None:
        self.player = player
        values = [getattr(player, f.name) for f in fields(player) if f.name != "name"]
        self._value = tuple(v if isinstance(v, str) else np.asarray(v).tobytes() for v in values)

    def __hash__(self) -> int:
        return hash(self._value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Form) and self._value == other._value


@dataclass(frozen=True)
class _Striker:
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
def _striker(world: World, form: Form) -> _Striker:
    a = Abilities.of([form.player])
    eases = world.eases.reshape(-1, *(1,) * len(BALL))
    mix = np.moveaxis(stroke_mix(a, 0, *_CODES[1:4]), -1, 0)
    out = np.arange(world.bits).reshape(-1, *(1,) * (len(BALL) + 1))
    made = shot(world, a, 0, _AT, _STROKE, out, eases[:, None, None])
    shape = (len(eases), world.bits, len(PLAYED), *BALL)
    reply, middle = (np.broadcast_to(m, shape[1:]) for m in (made.reply, made.middle))
    lower, share = levels(reply)
    left = np.zeros((*shape[1:], LEVELS))
    np.put_along_axis(left, lower[..., None], (1.0 - share)[..., None], axis=-1)
    np.put_along_axis(left, lower[..., None] + 1, share[..., None], axis=-1)
    left *= (1.0 - middle)[..., None]
    left[..., MIDDLE] = middle
    return _Striker(
        np.broadcast_to(attack_chance(world, a, 0, _AT, eases), (len(eases), *BALL)),
        np.broadcast_to(mix, (len(PLAYED), *BALL)),
        np.broadcast_to(made.error, shape),
        np.broadcast_to(made.winner, shape),
        left,
    )


class Pair:
    """The chain of two players, solved at their habits or at another rule of choosing.

    Parameters
    ----------
    world : World
    one, two : SimPlayer
    attack : ndarray, shape (side, family, depth, balance, gap), optional
        Chance that the first player attacks, in place of the habit.
    """

    def __init__(
        self, world: World, one: SimPlayer, two: SimPlayer, attack: Array | None = None
    ) -> None:
        self.world = world
        self.players = one, two
        forms = Form(one), Form(two)
        self._strikers = _striker(world, forms[0]), _striker(world, forms[1])
        self._attack = [s.attack for s in self._strikers]
        if attack is not None:
            self._attack[0] = np.broadcast_to(attack, self._attack[0].shape)
        self._ends = [self._shot_ends(me) for me in (0, 1)]
        chains = [self._onward(me) for me in (0, 1)]
        self._moves = [moves for moves, _ in chains]
        size = len(self._moves[0])
        system = np.eye(size) - self._moves[0] @ self._moves[1]
        ends = [ends for _, ends in chains]
        # W1 = w1 + T1 L2 and L1 = e1 + T1 W2: the opponent's loss is the striker's win
        first = np.linalg.solve(system, ends[0] + self._moves[0] @ ends[1][:, ::-1])
        self._coming = [first, ends[1] + self._moves[1] @ first[:, ::-1]]
        self._system = system

    def _choose(self, me: int, attack: Array | None = None) -> Array:
        """Chance of each stroke by habit or by a rule, shape (ease, stroke, *ball)."""
        attack = self._attack[me] if attack is None else attack
        by_choice = np.stack([attack, 1.0 - attack], axis=1)
        chance: Array = self._strikers[me].mix * by_choice[:, CHOICE_OF]
        return chance

    def _shot_ends(self, me: int) -> tuple[Array, Array, Array]:
        """Winning, losing and going on, each (ease, out, opponent out, stroke, *ball)."""
        striker, kept = self._strikers[me], 1.0 - self.world.let
        opponent = Abilities.of([self.players[1 - me]])
        outs = np.arange(self.world.bits).reshape(-1, *(1,) * (len(BALL) + 1))
        opened = open_to_winners(opponent, 0, outs)
        error = striker.error[:, :, None]
        wins = (1.0 - error) * expit(striker.winner[:, :, None] + opened)
        return kept * wins, kept * np.broadcast_to(error, wins.shape), kept * (1.0 - error - wins)

    def _onward(self, me: int) -> tuple[Array, Array]:
        """From balls coming to a player to balls coming to the opponent, and to the ends."""
        bits = self.world.bits
        win, lose, on = self._ends[me]
        choose = self._choose(me)
        cells, gaps = cell_table(self.world), gap_table(self.world)
        other_hand = self.players[0].hand != self.players[1].hand
        moves = np.zeros((*cells.shape[:2], bits, bits) * 2)
        ends = np.zeros((*cells.shape[:2], bits, bits, 2))
        for out in range(bits):
            for opponent_out in range(bits):
                chosen = [
                    (choose * part[:, out, opponent_out]).mean(axis=0) for part in (on, win, lose)
                ]
                made = np.empty((*chosen[0].shape, LEVELS + 2))
                np.multiply(
                    self._strikers[me].left[out], chosen[0][..., None], out=made[..., :LEVELS]
                )
                made[..., _WON], made[..., _LOST] = chosen[1], chosen[2]
                by_level = np.tensordot(gaps, made, axes=(1, 5))
                after = np.einsum("klsfdb,lcsfdbx->klscbx", cells[:, :, out], by_level)
                ends[:, :, out, opponent_out] = after[..., LEVELS:].sum(axis=(2, 3, 4))
                still = self.world.still_out(np.arange(2), out)
                share = np.stack([1.0 - still, still])[:bits]
                sent = np.einsum("klscbx,rb->klscrx", after[..., :LEVELS], share)
                for stroke in range(len(PLAYED)):
                    for side in range(2):
                        kind = int(kind_of(stroke, side, other_hand))
                        target = moves[:, :, out, opponent_out, kind, :, opponent_out]
                        target += np.moveaxis(sent[:, :, side, stroke], 2, 3)
        size = int(np.prod(ends.shape[:4]))
        return moves.reshape(size, size), ends.reshape(size, 2)

    def _returned(self, me: int, out: int, opponent_out: int) -> Array:
        """What the ball that a shot leaves is worth, shape (stroke, *ball, (won, lost))."""
        bits = self.world.bits
        coming = self._coming[1 - me].reshape(len(KINDS), LEVELS, bits, bits, 2)
        still = self.world.still_out(np.arange(2), out)
        share = np.stack([1.0 - still, still])[:bits]
        worth = np.einsum("klrw,rb->kblw", coming[:, :, opponent_out, :, ::-1], share)
        hands = self.players[0].hand != self.players[1].hand
        kind = kind_of(np.arange(len(PLAYED))[:, None], np.arange(2), hands)
        left = self._strikers[me].left[out]
        value: Array = np.einsum("csfdbgl,csblw->csfdbgw", left, worth[kind], optimize=True)
        return value

    @cached_property
    def _serve_ends(self) -> Array:
        """Winning and losing the rally for each player as server, shape (player, 2)."""
        world, ends = self.world, []
        coming = [c.reshape(len(KINDS), LEVELS, -1, 2)[SERVE_KIND, :, 0] for c in self._coming]
        at_once = np.array([world.serve_winner, world.serve_error])
        for you in (1, 0):
            later = (serve_levels(world) @ coming[you])[::-1]
            ends.append((1.0 - world.let) * (at_once + (1.0 - at_once.sum()) * later))
        return np.array(ends)

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
    def visits(self) -> tuple[Array, Array]:
        """Balls coming to each player, for each rally that is decided.

        By kind, level and who is out of place; a let is played again.
        """
        world = self.world
        start = np.zeros((len(KINDS), LEVELS, world.bits, world.bits))
        in_play = (1.0 - world.let) * (1.0 - world.serve_winner - world.serve_error)
        start[SERVE_KIND, :, 0, 0] = in_play * serve_levels(world)
        served = np.array([self.rallies_won, 1.0 - self.rallies_won])
        served = served / self._serve_ends.sum(axis=1)
        first, second = served[1] * start.ravel(), served[0] * start.ravel()
        to_one = np.linalg.solve(self._system.T, first + second @ self._moves[1])
        to_two = second + to_one @ self._moves[0]
        return to_one.reshape(start.shape), to_two.reshape(start.shape)

    def balls(self, me: int) -> Array:
        """Own balls for each decided rally, shape (*ball, out, opponent out)."""
        cells, gaps = cell_table(self.world), gap_table(self.world)
        return np.einsum("klro,klrsfdb,lg->sfdbgro", self.visits[me], cells, gaps, optimize=True)

    def mix(self, me: int) -> Array:
        """Share of each stroke within its choice, shape (stroke, side, family, depth, balance)."""
        return self._strikers[me].mix[..., 0].copy()

    def own_balls(self, me: int) -> Array:
        """Own balls for each decided rally, shape (*ball)."""
        balls: Array = self.balls(me).sum(axis=(-2, -1))
        return balls

    def _averaged(self, me: int, choose: Array) -> Array:
        """Won and lost with every stroke, shape (stroke, *ball, 2).

        What no log holds is averaged: the ease over all its values, who is out of place over
        the striker's own balls of that description.

        Parameters
        ----------
        me : int
        choose : ndarray, shape (ease, stroke, *ball), or one that broadcasts
            Weights of the strokes.
        """
        win, lose, on = self._ends[me]
        weight = self.balls(me)
        weight = weight / np.maximum(weight.sum(axis=(-2, -1), keepdims=True), 1e-300)
        total = np.zeros((len(PLAYED), *BALL, 2))
        for at in np.ndindex(weight.shape[-2:]):
            here = (slice(None), *at)
            value = self._returned(me, *at) * (choose * on[here]).mean(axis=0)[..., None]
            for k, part in enumerate((win, lose)):
                value[..., k] += (choose * part[here]).mean(axis=0)
            total += value * weight[(..., *at)][..., None]
        return total

    def chances(self, me: int) -> Array:
        """P(striker wins | ball, stroke), lets left out, shape (stroke, *ball).

        As if the stroke were chosen irrespective of what no log holds.
        """
        value = self._averaged(me, np.ones(1))
        chance: Array = value[..., 0] / value.sum(axis=-1)
        return chance

    def by_ball(self, me: int) -> Array:
        """P(striker wins | ball) as the player chooses, lets left out, shape (*ball)."""
        value = self._averaged(me, self._choose(me)).sum(axis=0)
        chance: Array = value[..., 0] / value.sum(axis=-1)
        return chance

    def advantage(self, attack: Array) -> float:
        """Rallies that the first player would gain for each decided one, to first order.

        Sum over the own balls of the chance at another rule minus the chance at the present
        one, each for one shot with the present choices after it; and a rally more is a serve
        more.

        Parameters
        ----------
        attack : ndarray, shape (*ball)
            Chance of attacking by the other rule, whatever the unseen ease.
        """
        change = self._choose(0, attack[None]) - self._choose(0)
        gain = np.einsum("csfdbgw,sfdbg->w", self._averaged(0, change), self.own_balls(0))
        won = self.rallies_won
        direct = (1.0 - won) * gain[0] - won * gain[1]
        return float(direct / (2.0 - sum(self.server)))

    @cached_property
    def rallies_a_game(self) -> float:
        """Mean number of decided rallies in a game to 11, two clear."""
        size = 40
        points = np.arange(size)
        over = np.maximum.outer(points, points) >= 11
        over &= np.abs(np.subtract.outer(points, points)) >= 2
        going = np.zeros((size, size, 2))
        going[0, 0] = self.rallies_won, 1.0 - self.rallies_won
        win = np.array([self.server[0], 1.0 - self.server[1]])
        total = 0.0
        for _ in range(2 * size - 2):
            total += float(going.sum())
            later = np.zeros_like(going)
            later[1:, :, 0] += (going * win).sum(axis=-1)[:-1]
            later[:, 1:, 1] += (going * (1.0 - win)).sum(axis=-1)[:, :-1]
            later[over] = 0.0
            going = later
        return total


@dataclass(frozen=True)
class PairValues:
    """Chances of a rally between two players; pairs are of one value for each player.

    Attributes
    ----------
    chances : tuple of ndarray, shape (stroke, side, family, depth, balance, gap)
        P(striker wins | ball, stroke), lets left out.
    own_balls : tuple of ndarray, shape (side, family, depth, balance, gap)
        Own balls for each decided rally.
    mix : tuple of ndarray, shape (stroke, side, family, depth, balance)
        Share of each stroke within the choice that it serves.
    server : tuple of float
        P(wins the rally | serves), lets left out.
    """

    chances: tuple[Array, Array]
    own_balls: tuple[Array, Array]
    mix: tuple[Array, Array]
    server: tuple[float, float]


def solve_pair(world: World, one: SimPlayer, two: SimPlayer) -> PairValues:
    """Solve the chain of a pair of players; answers are kept, by value of the abilities."""
    return _solved(world, Form(one), Form(two))


@lru_cache(maxsize=128)
def _solved(world: World, one: Form, two: Form) -> PairValues:
    pair = Pair(world, one.player, two.player)
    chances, balls, mix = ((part(0), part(1)) for part in (pair.chances, pair.own_balls, pair.mix))
    return PairValues(chances, balls, mix, pair.server)


def crossing_gap(gaps_m: Array, difference: Array) -> float:
    """Gap at which an attack-minus-reset difference turns positive for good.

    Returns minus infinity when it is positive everywhere, plus infinity when it is never
    positive at the widest gap; linear between grid points.
    """
    if difference[-1] <= 0:
        return float("inf")
    below = np.flatnonzero(difference <= 0)
    if len(below) == 0:
        return float("-inf")
    k = below[-1]
    share = -difference[k] / (difference[k + 1] - difference[k])
    return float(gaps_m[k] + share * (gaps_m[k + 1] - gaps_m[k]))
