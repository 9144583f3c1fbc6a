"""What is true of simulated players: their curves and thresholds, exactly."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES
from sidewall.simulate.ladder import check_schedule
from sidewall.simulate.physics import Physics
from sidewall.simulate.players import CELLS, SimPlayer
from sidewall.simulate.solve import PairValues, crossing_gap, solve_pair

Array = NDArray[np.float64]

CROSSES: Final = "crosses"
ATTACK_ALWAYS: Final = "attack at any gap"
RESET_ALWAYS: Final = "reset at any gap"


class _Key:
    """A player's abilities, to be looked up by value: arrays cannot be."""

    def __init__(self, player: SimPlayer) -> None:
        self.player = player
        arrays = (
            player.touch,
            player.looseness_gain,
            player.length,
            player.steadiness,
            player.attack_from_m,
        )
        self._value = (
            player.retrieving,
            *(np.broadcast_to(np.asarray(a, dtype=float), CELLS).tobytes() for a in arrays),
        )

    def __hash__(self) -> int:
        return hash(self._value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self._value == other._value


@lru_cache(maxsize=512)
def _solved(physics: Physics, one: _Key, two: _Key) -> PairValues:
    return solve_pair(physics, one.player, two.player)


def win_probabilities(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    physics: Physics | None = None,
) -> Array:
    """P(the striker wins the rally | ball, choice), lets left out, of every player.

    The mean over the matches that the player plays in the schedule, each match alike: a
    player's threshold hangs a little on who is across the net.

    Returns
    -------
    ndarray, shape (players, choice, side, family, grid)
        Missing for a player without a match.
    """
    check_schedule(players, schedule)
    physics = physics or Physics()
    keys = [_Key(player) for player in players]
    grid = len(physics.gaps_m)
    total = np.zeros((len(players), 2, *CELLS, grid))
    matches = np.zeros(len(players))
    for pair in schedule:
        one, two = sorted(pair)
        values = _solved(physics, keys[one], keys[two])
        for player, curve in zip((one, two), values.by_choice, strict=True):
            total[player] += curve
            matches[player] += 1
    played = np.where(matches > 0, matches, np.nan)
    mean: Array = total / played[:, None, None, None, None]
    return mean


def true_thresholds(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    physics: Physics | None = None,
) -> pd.DataFrame:
    """Exact loose threshold of every player who plays, side and stroke family.

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family``, ``status`` (crosses, attack at any gap, reset at any
        gap) and ``threshold_m`` (metres; minus infinity for attack at any gap, infinity for
        reset at any gap).
    """
    physics = physics or Physics()
    chances = win_probabilities(players, schedule, physics)
    rows = []
    for player, by_choice in zip(players, chances, strict=True):
        if np.isnan(by_choice).any():
            continue
        for s, side in enumerate(SIDES):
            for f, family in enumerate(FAMILIES):
                gap = crossing_gap(physics.gaps_m, by_choice[0, s, f] - by_choice[1, s, f])
                status = {np.inf: RESET_ALWAYS, -np.inf: ATTACK_ALWAYS}.get(gap, CROSSES)
                rows.append((player.name, side, family, status, gap))
    return pd.DataFrame(rows, columns=["player", "side", "family", "status", "threshold_m"])


def true_curves(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    physics: Physics | None = None,
    gaps_m: Sequence[float] | Array | None = None,
) -> pd.DataFrame:
    """Exact chance of winning the rally by gap, of every player who plays.

    Parameters
    ----------
    players, schedule, physics
        As in :func:`~sidewall.simulate.ladder.simulate_shots`.
    gaps_m : array_like, optional
        Where to give the curves, linear between grid points; by default the whole grid.

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family``, ``choice``, ``gap_m``, ``win_probability``.
    """
    physics = physics or Physics()
    chances = win_probabilities(players, schedule, physics)
    gaps = physics.gaps_m if gaps_m is None else np.asarray(gaps_m, dtype=float)
    frames = [
        pd.DataFrame(
            {
                "player": player.name,
                "side": side,
                "family": family,
                "choice": choice,
                "gap_m": gaps,
                "win_probability": np.interp(gaps, physics.gaps_m, by_choice[c, s, f]),
            }
        )
        for player, by_choice in zip(players, chances, strict=True)
        if not np.isnan(by_choice).any()
        for s, side in enumerate(SIDES)
        for f, family in enumerate(FAMILIES)
        for c, choice in enumerate(CHOICES)
    ]
    return pd.concat(frames, ignore_index=True)
