"""What is true of the players of a schedule: curves, thresholds, what a rule brings, exactly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CHOICES, FAMILIES, SIDES
from sidewall.simulate.pair import BALL, Pair
from sidewall.simulate.play import check_schedule, match_players
from sidewall.simulate.world import (
    ATTACK,
    CELL,
    CHOICE_OF,
    GAPS_M,
    PLAYED,
    RESET,
    SimPlayer,
    World,
)


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
    for key, choice, curve, _ in _curves(players, schedule, world, by):
        values = {"gap_m": gaps, "win_probability": np.interp(gaps, GAPS_M, curve)}
        rows.append(pd.DataFrame(key | {"choice": CHOICES[choice]} | values))
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
    for key, choice, curve, reset in _curves(players, schedule, world, by):
        if choice == ATTACK:
            gap = crossing_gap(GAPS_M, curve - reset)
            status = {np.inf: RESET_ALWAYS, -np.inf: ATTACK_ALWAYS}.get(gap, CROSSES)
            rows.append(key | {"status": status, "threshold_m": gap})
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
) -> Iterator[tuple[dict[str, Any], int, Array, Array]]:
    """Yield what a curve is of, its choice, the curve, and that of the player's own resets."""
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
        mixed = np.array([chosen[choice == CHOICE_OF].sum(axis=0) for choice in (ATTACK, RESET)])
        averaged = tuple(1 + k for k in over)
        by_choice, by_stroke = mixed.sum(axis=averaged), weighted.sum(axis=averaged)
        for at in np.ndindex(by_choice.shape[1:-1]):
            words = {name: _WORDS[name][k] for name, k in zip(kept, at, strict=True)}
            key, here = {"player": player.name} | words, (slice(None), *at)
            reset = by_choice[here][RESET]
            if "stroke" in by:
                for stroke, choice, curve in zip(PLAYED, CHOICE_OF, by_stroke[here], strict=True):
                    yield key | {"stroke": stroke}, int(choice), curve, reset
            else:
                yield from ((key, k, curve, reset) for k, curve in enumerate(by_choice[here]))
