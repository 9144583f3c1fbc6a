"""What is true of simulated players: their curves, thresholds and the worth of a rule, exactly."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CHOICES, FAMILIES, SIDES
from sidewall.simulate.play import check_schedule, match_players
from sidewall.simulate.players import PLAYED, SimPlayer
from sidewall.simulate.solve import BALL, Pair, crossing_gap, solve_pair
from sidewall.simulate.world import CELL, CHOICE_OF, GAPS_M, World

Array = NDArray[np.float64]
Schedule = Sequence[tuple[int, int]]

CROSSES: Final = "crosses"
ATTACK_ALWAYS: Final = "attack at any gap"
RESET_ALWAYS: Final = "reset at any gap"
#: What answers may be split by, besides side and family.
SPLITS: Final = ("depth", "balance", "stroke")
_WORDS: Final = {
    **{"side": SIDES, "family": FAMILIES, "depth": DEPTHS, "balance": BALANCES[: CELL[-1]]},
    **{"stroke": PLAYED, "choice": CHOICES},
}


def win_chances(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None = None
) -> Array:
    """P(the striker wins the rally | ball, stroke), lets left out, of every player.

    The mean over the matches that the player plays in the schedule, each match alike: it
    hangs a little on who is across the net. It is the chance if the stroke were chosen
    irrespective of what no log holds: the unseen ease is averaged over all its values, and
    who is out of place over the player's own balls of that description.

    Returns
    -------
    ndarray, shape (player, side, family, depth, balance, stroke, gap)
        Strokes in the order of ``PLAYED``, gaps those of ``GAPS_M``. Missing for a player
        without a match.
    """
    chances = _facts(players, schedule, world or World())[0]
    return np.moveaxis(chances, 1, 5)


def occupancy(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None = None
) -> Array:
    """Share of each player's own balls that are of a description, in the long run.

    Returns
    -------
    ndarray, shape (player, side, family, depth, balance, gap)
        Adds up to 1 for each player; missing without a match.
    """
    balls = _facts(players, schedule, world or World())[1]
    share: Array = balls / balls.reshape(len(balls), -1).sum(axis=1).reshape(-1, *(1,) * len(BALL))
    return share


def stroke_mix(
    players: Sequence[SimPlayer], schedule: Schedule, world: World | None = None
) -> Array:
    """Each player's own share of strokes, given the choice and the situation.

    Returns
    -------
    ndarray, shape (player, side, family, depth, balance, stroke)
        Strokes that serve one choice add up to 1; the gap plays no part in it.
    """
    return np.moveaxis(_facts(players, schedule, world or World())[2], 1, -1)


def as_table(values: Array, players: Sequence[SimPlayer], name: str) -> pd.DataFrame:
    """Turn what the three functions above return into a table, one row a number.

    Parameters
    ----------
    values : ndarray
    players : sequence of SimPlayer
    name : str
        Of the column of numbers.
    """
    axes: dict[str, Any] = {"player": [player.name for player in players]}
    axes |= {axis: _WORDS[axis] for axis in ("side", "family", "depth", "balance")}
    if len(PLAYED) in values.shape[5:6]:
        axes["stroke"] = PLAYED
    if values.shape[-1] == len(GAPS_M):
        axes["gap_m"] = GAPS_M
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
        As in :func:`~sidewall.simulate.dress.simulate_shots`.
    gaps_m : array_like, optional
        Where to give the curves, linear between grid points; by default the whole grid.
    by : sequence of str
        Any of depth, balance and stroke: then that is given and not averaged.

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family``, the columns of `by`, ``choice``, ``gap_m``,
        ``win_probability``.
    """
    gaps = GAPS_M if gaps_m is None else np.asarray(gaps_m, dtype=float)
    rows = []
    for key, curves in _curves(players, schedule, world or World(), by):
        for stroke, choice, curve in curves:
            values = np.interp(gaps, GAPS_M, curve)
            rows.append(
                pd.DataFrame(
                    key | stroke | {"choice": choice, "gap_m": gaps, "win_probability": values}
                )
            )
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

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family``, the columns of `by`, ``status`` (crosses, attack at
        any gap, reset at any gap) and ``threshold_m`` (metres; minus infinity for attack at
        any gap, infinity for reset at any gap).
    """
    rows = []
    for key, curves in _curves(players, schedule, world or World(), by, whole_resets=True):
        reset = curves[-1][-1]
        for stroke, _, attack in curves[:-1]:
            gap = crossing_gap(GAPS_M, attack - reset)
            status = {np.inf: RESET_ALWAYS, -np.inf: ATTACK_ALWAYS}.get(gap, CROSSES)
            rows.append(key | stroke | {"status": status, "threshold_m": gap})
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
        As in :func:`~sidewall.simulate.dress.simulate_shots`.
    from_m : array_like, shape (player, side, family), or one that broadcasts
        Gap from which the rule attacks; infinite for never, minus infinity for always.

    Returns
    -------
    DataFrame
        ``player``; ``own_balls``, mean number in a rally; ``first_order_per_100`` and
        ``resolved_per_100``, rallies gained in 100 own balls; ``first_order_a_game`` and
        ``resolved_a_game``, points gained in a game of as many rallies as today.
    """
    world = world or World()
    check_schedule(players, schedule)
    rule = np.broadcast_to(np.asarray(from_m, dtype=float), (len(players), *CELL[:2]))
    rows = []
    for pair, form in zip(schedule, match_players(players, schedule), strict=True):
        for me in (0, 1):
            own, other = form[me], form[1 - me]
            from_gap = rule[pair[me]][:, :, None, None, None]
            attack = np.broadcast_to((from_gap - 1e-9 <= GAPS_M).astype(float), BALL)
            habit = Pair(world, own, other)
            resolved = Pair(world, own, other, attack).rallies_won - habit.rallies_won
            balls, rallies = float(habit.own_balls(0).sum()), habit.rallies_a_game
            both = np.array([habit.advantage(attack), resolved])
            rows.append((own.name, balls, *(100 * both / balls), *(both * rallies)))
    columns = ["player", "own_balls"]
    columns += [f"{how}_{per}" for per in ("per_100", "a_game") for how in _HOW]
    table = pd.DataFrame(rows, columns=columns)
    return table.groupby("player", sort=False).mean().reset_index()


_HOW: Final = ("first_order", "resolved")


def _facts(
    players: Sequence[SimPlayer], schedule: Schedule, world: World
) -> tuple[Array, Array, Array]:
    """Chances (player, stroke, *ball), own balls in a rally (player, *ball), and mixes."""
    check_schedule(players, schedule)
    chances = np.zeros((len(players), len(PLAYED), *BALL))
    balls = np.zeros((len(players), *BALL))
    mix = np.full((len(players), len(PLAYED), *CELL), np.nan)
    matches = np.zeros(len(players))
    for pair, form in zip(schedule, match_players(players, schedule), strict=True):
        one, two = sorted((0, 1), key=lambda k: pair[k])
        values = solve_pair(world, form[one], form[two])
        for k, player in enumerate((pair[one], pair[two])):
            chances[player] += values.chances[k]
            balls[player] += values.own_balls[k]
            mix[player] = values.mix[k]
            matches[player] += 1
    played = np.where(matches > 0, matches, np.nan)
    return (
        chances / played.reshape(-1, *(1,) * (chances.ndim - 1)),
        balls / played.reshape(-1, *(1,) * (balls.ndim - 1)),
        mix,
    )


def _curves(
    players: Sequence[SimPlayer],
    schedule: Schedule,
    world: World,
    by: Sequence[str],
    whole_resets: bool = False,
) -> Any:
    """Yield for each player and cell what it is, and its (stroke, choice, curve) triples."""
    strange = [name for name in by if name not in SPLITS]
    if strange:
        raise DataError(f"by: {strange[0]!r} is none of {', '.join(SPLITS)}.")
    chances, balls, mix = _facts(players, schedule, world)
    free = tuple(k for k, name in enumerate(("depth", "balance")) if name not in by)
    kept = [name for name in ("depth", "balance") if name in by]
    for player, chance, ball, own in zip(players, chances, balls, mix, strict=True):
        if np.isnan(ball).any():
            continue
        situation = ball.sum(axis=-1)  # side, family, depth, balance
        situation = situation / situation.sum(axis=tuple(2 + k for k in free), keepdims=True)
        by_stroke = chance * situation[None, ..., None]
        by_choice = [
            (by_stroke * own[..., None])[choice == CHOICE_OF].sum(axis=0) for choice in (0, 1)
        ]
        over = tuple(2 + k for k in free)
        by_stroke = by_stroke.sum(axis=tuple(1 + k for k in over))
        attack, reset = (part.sum(axis=over) for part in by_choice)
        for at in np.ndindex(attack.shape[:-1]):
            names = ("side", "family", *kept)
            key = {"player": player.name}
            key |= {name: _WORDS[name][k] for name, k in zip(names, at, strict=True)}
            if "stroke" not in by:
                yield key, [({}, "attack", attack[at]), ({}, "reset", reset[at])]
                continue
            curves = [
                ({"stroke": stroke}, CHOICES[CHOICE_OF[k]], by_stroke[(k, *at)])
                for k, stroke in enumerate(PLAYED)
            ]
            if whole_resets:
                curves = [one for one in curves if one[1] == "attack"]
                curves.append(({}, "reset", reset[at]))
            yield key, curves
