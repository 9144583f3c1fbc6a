"""What happens when a player meets a ball: the probabilities that drive the simulation.

The rally is a Markov chain. Its state is the striker, the side, the stroke family and the
gap of the incoming ball on a grid of whole steps; given these, nothing earlier matters.
Everything that the log records beyond the state (strokes, places, times) is drawn from
the state and the choice alone, so that it carries no hidden news about the result.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from sidewall.simulate.players import SimPlayer

Array = NDArray[np.float64]

ATTACK, RESET = 0, 1
GAP_MAX_M = 3.2


@dataclass(frozen=True)
class Physics:
    """Constants of the simulated game; abilities of players shift them.

    Probabilities are given as log odds at a gap of `pivot_m`; slopes act on
    ``log1p(gap / bend_m) - log1p(pivot_m / bend_m)``.
    """

    step_m: float = 0.02
    pivot_m: float = 0.5
    bend_m: float = 0.5
    attack_error: float = -1.95
    attack_error_slope: float = -2.4
    attack_winner: float = -1.60
    attack_winner_slope: float = 2.0
    reset_error: float = -4.0
    reset_error_slope: float = -1.0
    reset_winner: float = -5.0
    attack_reply_m: float = 0.34
    reset_reply_m: float = 0.24
    reset_reply_slope: float = -0.7
    reply_spread: float = 0.70
    attack_habit_width_m: float = 0.12
    attack_least: float = 0.03
    attack_most: float = 0.85
    let: float = 0.006
    backhand: float = 0.665
    volley_after_attack: float = 0.08
    volley_after_reset: float = 0.26
    serve_winner: float = 0.012
    serve_error: float = 0.010
    serve_backhand: float = 0.60
    serve_volley: float = 0.45
    serve_gap_m: float = 0.42
    serve_forehand: float = 0.85

    @property
    def gaps_m(self) -> Array:
        """The gap grid in metres, from 0 to half the court's width."""
        return np.arange(round(GAP_MAX_M / self.step_m) + 1, dtype=np.float64) * self.step_m

    def looseness(self, gap_m: Array) -> Array:
        """The scale on which probabilities are linear."""
        scale: Array = np.log1p(gap_m / self.bend_m) - np.log1p(self.pivot_m / self.bend_m)
        return scale

    def gap_distribution(self, median_m: Array) -> Array:
        """Distribution of a log-normal gap rounded to the grid.

        Parameters
        ----------
        median_m : ndarray, shape (...)

        Returns
        -------
        ndarray, shape (..., grid)
            Probabilities that add up to 1.
        """
        edges = (np.arange(len(self.gaps_m) - 1) + 0.5) * self.step_m
        z = (np.log(edges) - np.log(median_m)[..., None]) / self.reply_spread
        below = ndtr(z)
        ends = np.zeros((*median_m.shape, 1)), np.ones((*median_m.shape, 1))
        return np.diff(np.concatenate([ends[0], below, ends[1]], axis=-1), axis=-1)

    def next_cell(self) -> Array:
        """Chance of the opponent's side and family, shape (choice, side, family)."""
        side = np.array([1.0 - self.backhand, self.backhand])
        volley = np.array([self.volley_after_attack, self.volley_after_reset])
        return side[None, :, None] * np.stack([1 - volley, volley], axis=1)[:, None, :]

    def serve_cell(self) -> Array:
        """Chance of the receiver's side and family, shape (side, family)."""
        side = np.array([1.0 - self.serve_backhand, self.serve_backhand])
        return side[:, None] * np.array([1.0 - self.serve_volley, self.serve_volley])


@dataclass(frozen=True)
class StrikerTables:
    """A player's probabilities against one opponent on the gap grid.

    ``attack`` has shape (side, family, grid); ``win``, ``error``, ``go_on`` and
    ``reply_m`` (median gap left) have shape (choice, side, family, grid). A let takes
    what is left of 1.
    """

    attack: Array
    win: Array
    error: Array
    go_on: Array
    reply_m: Array


def striker_tables(physics: Physics, striker: SimPlayer, opponent: SimPlayer) -> StrikerTables:
    """Tabulate what `striker` does with each ball against `opponent`."""
    gaps = physics.gaps_m
    loose = physics.looseness(gaps)
    touch, gain = striker.touch[..., None], striker.looseness_gain[..., None]
    length, steady = striker.length[..., None], striker.steadiness[..., None]

    habit = expit((gaps - striker.attack_from_m[..., None]) / physics.attack_habit_width_m)
    attack = physics.attack_least + (physics.attack_most - physics.attack_least) * habit

    p = physics
    error = np.stack(
        [
            expit(p.attack_error - 0.5 * touch + (p.attack_error_slope - 0.5 * gain) * loose),
            expit(p.reset_error - steady + p.reset_error_slope * loose),
        ]
    )
    winner_if_in = np.stack(
        [
            expit(
                p.attack_winner
                + 0.5 * touch
                + (p.attack_winner_slope + 0.5 * gain) * loose
                - opponent.retrieving
            ),
            np.broadcast_to(expit(p.reset_winner - opponent.retrieving), error[1].shape),
        ]
    )
    win = (1.0 - error) * winner_if_in
    in_play = (1.0 - error) * (1.0 - winner_if_in)
    reply = np.stack(
        [
            np.broadcast_to(p.attack_reply_m, error[0].shape),
            p.reset_reply_m * np.exp(p.reset_reply_slope * loose - length),
        ]
    )
    kept = 1.0 - p.let
    return StrikerTables(attack, kept * win, kept * error, kept * in_play, reply)
