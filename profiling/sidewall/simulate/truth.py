"""What is true of simulated players: their curves, thresholds and the worth of a rule, exactly.

By linear algebra on the chain's own gap grid. A ball on its way is known by its kind, its level
and, where position carries over, by who is out of place. Where it is met and how loose it is
hangs on these alone, so the equations are written for balls on their way: 77 or 308 of them for
each player, and not one for every ball that can be met.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property, lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit

from sidewall.arguments import Array
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CHOICES, FAMILIES, SIDES
from sidewall.simulate import world as physics
from sidewall.simulate.play import check_schedule, match_players
from sidewall.simulate.world import ATTACK, CELL, CHOICE_OF, GAPS_M, PLAYED, SimPlayer, World

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


def crossing_gap(gaps_m: Array, difference: Array) -> float:
    """Gap at which an attack-minus-reset difference turns positive for good.

    Parameters
    ----------
    gaps_m, difference : ndarray, shape (n,)
        Gaps that rise, and attack minus reset at each.

    Returns
    -------
    float
        Metres, linear between grid points; minus infinity when the difference is positive
        everywhere, plus infinity when it is never positive at the widest gap.

    See Also
    --------
    sidewall.simulate.true_thresholds

    Examples
    --------
    >>> sw.simulate.crossing_gap(np.array([0.2, 0.4, 0.6]), np.array([-0.1, -0.05, 0.05]))
    0.5
    """
    k = np.flatnonzero(np.append(0.0, difference) <= 0)[-1] - 1
    if k < 0 or k == len(difference) - 1:
        return float("-inf") if k < 0 else float("inf")
    share = -difference[k] / (difference[k + 1] - difference[k])
    return float(gaps_m[k] + share * (gaps_m[k + 1] - gaps_m[k]))


Schedule = Sequence[tuple[int, int]]

CROSSES: Final = "crosses"
ATTACK_ALWAYS: Final = "attack at any gap"
RESET_ALWAYS: Final = "reset at any gap"
_WORDS: Final[dict[str, Any]] = {
    **{"side": SIDES, "family": FAMILIES, "depth": DEPTHS, "balance": BALANCES[: CELL[-1]]},
    **{"stroke": PLAYED, "gap_m": GAPS_M},
}
#: What answers may be split by, besides side and family.
_SPLITS: Final = ("depth", "balance", "stroke")


def win_chances(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None = None
) -> Array:
    """P(the striker wins the rally | ball, stroke), lets left out, of every player.

    The mean over the matches that the player plays in the schedule, each match alike: it
    hangs a little on who is across the net. It is the chance if the stroke were chosen
    irrespective of what no log holds: the unseen ease is averaged over all its values, and
    who is out of place over the player's own balls of that description.

    Parameters
    ----------
    players, schedule, world
        As in :func:`~sidewall.simulate.simulate_shots`.

    Returns
    -------
    ndarray, shape (player, side, family, depth, balance, stroke, gap)
        Strokes in the order of ``PLAYED``, gaps those of ``GAPS_M``. Missing for a player
        without a match.

    See Also
    --------
    sidewall.simulate.as_table
    sidewall.simulate.true_curves

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> chances = sw.simulate.win_chances(players, [(0, 1)])
    >>> chances.shape
    (2, 2, 2, 3, 2, 5, 156)
    """
    return np.moveaxis(_facts(players, schedule, world)[0], 1, 5)


def occupancy(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None = None
) -> tuple[Array, Array]:
    """Which balls each player meets, and which strokes are played from them.

    Parameters
    ----------
    players, schedule, world
        As in :func:`~sidewall.simulate.simulate_shots`.

    Returns
    -------
    balls : ndarray, shape (player, side, family, depth, balance, gap)
        Share of the player's own balls in the long run: they add up to 1 for each player.
    strokes : ndarray, shape (player, side, family, depth, balance, stroke)
        The player's own share of each stroke among those that serve its choice, whatever the
        gap. Both are missing for a player without a match.

    See Also
    --------
    sidewall.simulate.as_table
    sidewall.simulate.win_chances

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> balls, strokes = sw.simulate.occupancy(players, [(0, 1)])
    >>> balls.sum(axis=(1, 2, 3, 4, 5)).round(6)
    array([1., 1.])
    """
    _, balls, mix = _facts(players, schedule, world)
    return balls / balls.sum(axis=(1, 2, 3, 4, 5), keepdims=True), np.moveaxis(mix, 1, -1)


def as_table(values: Array, players: Sequence[SimPlayer], name: str) -> pd.DataFrame:
    """Turn what the functions above return into a table, one number a row, as `name`.

    Parameters
    ----------
    values : ndarray
        From :func:`win_chances` or :func:`occupancy`.
    players : sequence of SimPlayer
        The same.
    name : str
        Of the column of numbers.

    Returns
    -------
    DataFrame
        ``player`` and what else the shape tells apart, then `name`.

    See Also
    --------
    sidewall.simulate.win_chances
    sidewall.simulate.occupancy

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> balls, _ = sw.simulate.occupancy(players, [(0, 1)])
    >>> sw.simulate.as_table(balls, players, "share").columns.to_list()
    ['player', 'side', 'family', 'depth', 'balance', 'gap_m', 'share']
    """
    axes: dict[str, Any] = {"player": [player.name for player in players]} | _WORDS
    kept = ["player", *(axis for axis in _WORDS if len(_WORDS[axis]) in values.shape[1:])]
    axes = {axis: axes[axis] for axis in kept}
    index = pd.MultiIndex.from_product(list(axes.values()), names=list(axes))
    return pd.Series(values.ravel(), index=index, name=name).reset_index()


def true_curves(
    players: Sequence[SimPlayer],
    schedule: Schedule,
    world: World | None = None,
    gaps_m: Sequence[float] | Array | None = None,
    by: Sequence[str] = (),
) -> pd.DataFrame:
    """Exact chance of winning the rally by gap, of every player who plays.

    The estimand, for a side and a family: P(the player wins the rally | gap, choice) if the
    ball were as such balls of the player's are (depth and balance in the shares that they
    have among all the player's own balls of that side and family, the same shares for both
    choices and for all gaps), and if the stroke were drawn from the player's own mix for
    that choice and situation, irrespective of anything that no log holds.

    Parameters
    ----------
    players, schedule, world
        As in :func:`~sidewall.simulate.simulate_shots`.
    gaps_m : array_like, optional
        Where to give the curves, linear between grid points; by default the whole grid.
    by : sequence of str
        Any of depth, balance and stroke: then that is given and not averaged.

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family``, the columns of `by`, ``choice``, ``gap_m``,
        ``win_probability``.

    See Also
    --------
    sidewall.simulate.true_thresholds
    sidewall.simulate.simulate_shots

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> curves = sw.simulate.true_curves(players, [(0, 1)], gaps_m=[0.2, 0.8])
    >>> curves.head(2).round(3)
      player      side  family  choice  gap_m  win_probability
    0  Rowan  forehand  ground  attack    0.2             0.42
    1  Rowan  forehand  ground  attack    0.8             0.58
    """
    gaps = GAPS_M if gaps_m is None else np.asarray(gaps_m, dtype=float)
    rows = []
    for key, by_choice, by_stroke in _curves(players, schedule, world, by):
        curves = [({"choice": c}, curve) for c, curve in zip(CHOICES, by_choice, strict=True)]
        if "stroke" in by:
            curves = [
                ({"stroke": PLAYED[k], "choice": CHOICES[CHOICE_OF[k]]}, curve)
                for k, curve in enumerate(by_stroke)
            ]
        for what, curve in curves:
            values = {"gap_m": gaps, "win_probability": np.interp(gaps, GAPS_M, curve)}
            rows.append(pd.DataFrame(key | what | values))
    return pd.concat(rows, ignore_index=True)


def true_thresholds(
    players: Sequence[SimPlayer],
    schedule: Schedule,
    world: World | None = None,
    by: Sequence[str] = (),
) -> pd.DataFrame:
    """Exact loose threshold of every player who plays, side and stroke family.

    The gap at which attack minus reset, each as in :func:`true_curves`, crosses upward for
    the last time. By stroke: that attacking stroke against the player's own mix of resets.

    Parameters
    ----------
    players, schedule, world, by
        As in :func:`true_curves`.

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family``, the columns of `by`, ``status`` (crosses, attack at
        any gap, reset at any gap) and ``threshold_m`` (metres; minus infinity for attack at
        any gap, infinity for reset at any gap).

    See Also
    --------
    sidewall.simulate.true_curves
    sidewall.simulate.rule_gains

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> sw.simulate.true_thresholds(players, [(0, 1)]).head(2).round(2)
      player      side  family   status  threshold_m
    0  Rowan  forehand  ground  crosses         0.64
    1  Rowan  forehand  volley  crosses         0.41
    """
    rows = []
    for key, (attack, reset), by_stroke in _curves(players, schedule, world, by):
        curves: list[tuple[dict[str, str], Array]] = [({}, attack)]
        if "stroke" in by:
            strokes = np.flatnonzero(CHOICE_OF == ATTACK)
            curves = [({"stroke": PLAYED[k]}, by_stroke[k]) for k in strokes]
        for what, curve in curves:
            gap = crossing_gap(GAPS_M, curve - reset)
            status = {np.inf: RESET_ALWAYS, -np.inf: ATTACK_ALWAYS}.get(gap, CROSSES)
            rows.append(key | what | {"status": status, "threshold_m": gap})
    return pd.DataFrame(rows)


def rule_gains(
    players: Sequence[SimPlayer],
    schedule: Schedule,
    from_m: Any,
    world: World | None = None,
) -> pd.DataFrame:
    """What each player would gain by attacking from a gap on and resetting below it.

    The player keeps the own mix of strokes within a choice, and everybody else plays on as
    before. Two answers: ``first_order``, the advantage of the rule over the own habit for
    one shot, summed over the player's own balls as they come today; and ``resolved``, from
    the chain solved anew with the rule in place, so that today's balls and what follows
    change with it. Means over the player's matches, each match alike.

    Parameters
    ----------
    players, schedule, world
        As in :func:`~sidewall.simulate.simulate_shots`.
    from_m : array_like, shape (player, side, family), or one that broadcasts
        Gap from which the rule attacks; infinite for never, minus infinity for always.

    Returns
    -------
    DataFrame
        ``player``; ``own_balls``, mean number in a rally; ``first_order_per_100`` and
        ``resolved_per_100``, rallies gained in 100 own balls; ``first_order_a_game`` and
        ``resolved_a_game``, points gained in a game of as many rallies as today.

    See Also
    --------
    sidewall.simulate.true_thresholds
    sidewall.simulate.Pair

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> gains = sw.simulate.rule_gains(players, [(0, 1)], 0.6)
    >>> gains[["player", "own_balls", "first_order_per_100"]].round(2)
      player  own_balls  first_order_per_100
    0  Rowan       5.29                 0.77
    1  Hazel       5.33                 0.84
    """
    world = world or World()
    check_schedule(players, schedule)
    rule = np.broadcast_to(np.asarray(from_m, dtype=float), (len(players), *CELL[:2]))
    rows = []
    for pair, form in zip(schedule, match_players(players, schedule), strict=True):
        for me, own, other in ((0, *form), (1, *form[::-1])):
            from_gap = rule[pair[me]][:, :, None, None, None]
            attack = np.broadcast_to((from_gap - 1e-9 <= GAPS_M).astype(float), BALL)
            habit = Pair(world, own, other)
            resolved = Pair(world, own, other, attack).rallies_won - habit.rallies_won
            balls, rallies = float(habit.own_balls(0).sum()), habit.rallies_a_game
            both = np.array([habit.advantage(attack), resolved])
            rows.append((own.name, balls, *(100 * both / balls), *(both * rallies)))
    columns = ["player", "own_balls", "first_order_per_100", "resolved_per_100"]
    columns += ["first_order_a_game", "resolved_a_game"]
    table = pd.DataFrame(rows, columns=columns)
    return table.groupby("player", sort=False).mean().reset_index()


@lru_cache(maxsize=128)
def _solved(world: World, one: SimPlayer, two: SimPlayer) -> list[tuple[Array, Array, Array]]:
    """Chances, own balls and mix of both players of a pair."""
    pair = Pair(world, one, two)
    return [(pair.chances(me), pair.own_balls(me), pair.mix(me)) for me in (0, 1)]


def _facts(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None
) -> tuple[Array, Array, Array]:
    """Chances (player, stroke, *ball), own balls (player, *ball) and mixes; match means."""
    check_schedule(players, schedule)
    shapes = (len(PLAYED), *BALL), BALL, (len(PLAYED), *CELL)
    chances, balls, mix = (np.zeros((len(players), *shape)) for shape in shapes)
    matches = np.bincount(np.ravel(schedule), minlength=len(players)).astype(float)
    matches[matches == 0] = np.nan
    for pair, form in zip(schedule, match_players(players, schedule), strict=True):
        order = sorted((0, 1), key=lambda k: pair[k])
        solved = _solved(world or World(), *(form[k] for k in order))
        for k, parts in zip(order, solved, strict=True):
            for total, part in zip((chances, balls, mix), parts, strict=True):
                total[pair[k]] += part / matches[pair[k]]
    for part in (chances, balls, mix):
        part[np.isnan(matches)] = np.nan
    return chances, balls, mix


def _curves(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None, by: Sequence[str]
) -> Iterator[tuple[dict[str, Any], Array, Array]]:
    """Yield for each player and cell what it is, and its curves by choice and by stroke."""
    strange = [name for name in by if name not in _SPLITS]
    if strange:
        raise DataError(f"by: {strange[0]!r} is none of {', '.join(_SPLITS)}.")
    over = tuple(2 + k for k, name in enumerate(("depth", "balance")) if name not in by)
    kept = ["side", "family", *(name for name in ("depth", "balance") if name in by)]
    for player, *parts in zip(players, *_facts(players, schedule, world), strict=True):
        chance, balls, own = parts
        if np.isnan(balls).any():
            continue
        situation = balls.sum(axis=-1)  # side, family, depth, balance
        situation = situation / situation.sum(axis=over, keepdims=True)
        weighted = chance * situation[..., None]
        chosen = weighted * own[..., None]
        mixed = np.array([chosen[choice == CHOICE_OF].sum(axis=0) for choice in (0, 1)])
        averaged = tuple(1 + k for k in over)
        by_choice, by_stroke = mixed.sum(axis=averaged), weighted.sum(axis=averaged)
        for at in np.ndindex(by_choice.shape[1:-1]):
            key = {name: _WORDS[name][k] for name, k in zip(kept, at, strict=True)}
            here = (slice(None), *at)
            yield {"player": player.name} | key, by_choice[here], by_stroke[here]
