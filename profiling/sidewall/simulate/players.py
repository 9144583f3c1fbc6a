"""Invented players: how well each attacks and resets, side by side and stroke by stroke."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sidewall.simulate.world import World

Array = NDArray[np.float64]

#: Rows are forehand and backhand, columns ground and volley, as in the vocabulary.
CELLS: Final = (2, 2)
#: The strokes that are played after the serve: three that attack, two that reset.
PLAYED: Final = ("drop", "kill", "boast", "drive", "lob")
#: Side, stroke, depth (front, middle, back).
MERITS: Final = (2, len(PLAYED), 3)


_by_cell = partial(np.zeros, CELLS)


@dataclass(frozen=True)
class SimPlayer:
    """A simulated player.

    All abilities are on the log-odds scale (or log metres), 0 being the ladder's average
    and more being better. Arrays have shape (2, 2), side (forehand, backhand) by stroke
    family (ground, volley), where nothing else is said.

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
    merit : ndarray, shape (side, stroke, depth)
        How much better than that a stroke is; strokes in the order of ``PLAYED``.
    merit_slope : ndarray, shape (side, stroke)
        How much more the stroke gains from a looser ball.
    prefers : ndarray, shape (stroke,)
        Log weight of the stroke among those that serve the same choice.
    stretched : float
        How much less than average the player loses when stretched.
    kink_m : float
        How much looser the ball is at which the player's curves bend.
    drift : float
        How far touch, steadiness and (by two fifths) length move over the season.
    """

    name: str
    hand: str = "right"
    touch: Array = field(default_factory=_by_cell)
    looseness_gain: Array = field(default_factory=_by_cell)
    length: Array = field(default_factory=_by_cell)
    steadiness: Array = field(default_factory=_by_cell)
    retrieving: float = 0.0
    attack_from_m: Array = field(default_factory=lambda: np.full(CELLS, 0.6))
    merit: Array = field(default_factory=partial(np.zeros, MERITS))
    merit_slope: Array = field(default_factory=partial(np.zeros, MERITS[:2]))
    prefers: Array = field(default_factory=partial(np.zeros, len(PLAYED)))
    stretched: float = 0.0
    kink_m: float = 0.0
    drift: float = 0.0

    def at(self, season: float) -> SimPlayer:
        """Return the player at a part of the season, 0 its first match and 1 its last."""
        if self.drift == 0:
            return self
        moved = self.drift * (season - 0.5)
        return replace(
            self,
            touch=self.touch + moved,
            steadiness=self.steadiness + moved,
            length=self.length + 0.4 * moved,
            drift=0.0,
        )


def draw_players(
    names: Sequence[str],
    rng: np.random.Generator,
    spread: float = 1.0,
    world: World | None = None,
) -> list[SimPlayer]:
    """Draw players from the ladder's population.

    Parameters
    ----------
    names : sequence of str
    rng : numpy.random.Generator
    spread : float, default 1.0
        Multiplies every standard deviation between players; 0 makes them all alike.
    world : World, optional
        Where its switches say so, players differ by stroke, in the place of the kink and in
        how they change over the season.

    Returns
    -------
    list of SimPlayer
    """

    def ability(overall: float, by_side: float, by_family: float) -> Array:
        sides = rng.normal(0.0, by_side, (2, 1))
        families = rng.normal(0.0, by_family, (1, 2))
        return spread * (rng.normal(0.0, overall) + sides + families)

    def one(name: str) -> SimPlayer:
        player = SimPlayer(
            name=name,
            hand="left" if rng.random() < 0.1 else "right",
            touch=ability(0.30, 0.30, 0.20),
            looseness_gain=ability(0.20, 0.15, 0.0),
            length=ability(0.12, 0.08, 0.0),
            steadiness=ability(0.20, 0.15, 0.0),
            retrieving=float(spread * rng.normal(0.0, 0.15)),
            attack_from_m=np.clip(0.66 + ability(0.12, 0.08, 0.05), 0.2, 1.2),
            prefers=spread * rng.normal(0.0, 0.25, len(PLAYED)),
        )
        if world is None:
            return player
        drawn: dict[str, Any] = {}
        if world.strokes:
            by_stroke = rng.normal(0.0, 0.45, (1, len(PLAYED), 1))
            by_side = rng.normal(0.0, 0.25, (2, len(PLAYED), 1))
            drawn["merit"] = spread * (by_stroke + by_side + rng.normal(0.0, 0.35, MERITS))
            drawn["merit_slope"] = spread * rng.normal(0.0, 0.4, MERITS[:2])
        if world.kinks_m > 0:
            drawn["kink_m"] = float(np.clip(spread * rng.normal(0.0, world.kinks_m), -0.35, 0.6))
        if world.drift > 0:
            drawn["drift"] = float(spread * rng.normal(0.0, world.drift))
        return replace(player, **drawn)

    return [one(name) for name in names]
