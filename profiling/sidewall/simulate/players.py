"""Invented players: how well each attacks and resets, side by side and stroke by stroke."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Rows are forehand and backhand, columns ground and volley, as in the vocabulary.
CELLS = (2, 2)


@dataclass(frozen=True)
class SimPlayer:
    """A simulated player.

    All abilities are on the log-odds scale (or log metres), 0 being the ladder's average
    and more being better. Arrays have shape (2, 2): side (forehand, backhand) by stroke
    family (ground, volley).

    Parameters
    ----------
    name : str
    hand : {"right", "left"}
    touch : ndarray
        Fewer errors and more winners when attacking.
    looseness_gain : ndarray
        How much more than average the player's attack gains from a looser ball.
    length : ndarray
        Tighter replies when resetting (log metres of the gap left).
    steadiness : ndarray
        Fewer errors when resetting.
    retrieving : float
        Takes winners away from the opponent.
    attack_from_m : ndarray
        Gap at which the player attacks half of the time: the player's habit, which need
        not be the player's threshold.
    """

    name: str
    hand: str = "right"
    touch: Array = field(default_factory=lambda: np.zeros(CELLS))
    looseness_gain: Array = field(default_factory=lambda: np.zeros(CELLS))
    length: Array = field(default_factory=lambda: np.zeros(CELLS))
    steadiness: Array = field(default_factory=lambda: np.zeros(CELLS))
    retrieving: float = 0.0
    attack_from_m: Array = field(default_factory=lambda: np.full(CELLS, 0.6))


def draw_players(
    names: Sequence[str], rng: np.random.Generator, spread: float = 1.0
) -> list[SimPlayer]:
    """Draw players from the ladder's population.

    Parameters
    ----------
    names : sequence of str
    rng : numpy.random.Generator
    spread : float, default 1.0
        Multiplies every standard deviation between players; 0 makes them all alike.

    Returns
    -------
    list of SimPlayer
    """

    def ability(overall: float, by_side: float, by_family: float) -> Array:
        sides = rng.normal(0.0, by_side, (2, 1))
        families = rng.normal(0.0, by_family, (1, 2))
        return spread * (rng.normal(0.0, overall) + sides + families)

    return [
        SimPlayer(
            name=name,
            hand="left" if rng.random() < 0.1 else "right",
            touch=ability(0.30, 0.30, 0.20),
            looseness_gain=ability(0.20, 0.15, 0.0),
            length=ability(0.12, 0.08, 0.0),
            steadiness=ability(0.20, 0.15, 0.0),
            retrieving=float(spread * rng.normal(0.0, 0.15)),
            attack_from_m=np.clip(0.66 + ability(0.12, 0.08, 0.05), 0.2, 1.2),
        )
        for name in names
    ]
