"""Where the ball on its way is met: depth, contact, place, first bounce, balance.

Everything is drawn from what the ball was played for and from the side, family and gap at
which the opponent meets it, also for a ball that nobody reached. So it says nothing about
the result of the shot beyond what the state and the choice say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidewall.court import Zones
from sidewall.log.vocabulary import BALANCES, CONTACTS
from sidewall.simulate.draws import pick_from

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

FRONT, MIDDLE, BACK = 0, 1, 2
GROUND, VOLLEY = 0, 1
VOLLEYED, AFTER_BOUNCE, OFF_BACK_WALL = (
    CONTACTS.index(word) for word in ("volley", "after_bounce", "off_back_wall")
)
_SET, _STRETCHED, _JAMMED = (BALANCES.index(word) for word in ("set", "stretched", "jammed"))

#: Weights of front, middle and back by purpose (attack, reset, serve), family (ground,
#: volley) and side (forehand, backhand) at which the ball is met. Fitted to the shares of
#: shots from the back corners in Vuckovic et al. 2013.
DEPTH = (
    (((0.80, 0.14, 0.06), (0.78, 0.14, 0.08)), ((0.55, 0.45, 0.00), (0.55, 0.45, 0.00))),
    (((0.07, 0.20, 0.73), (0.05, 0.13, 0.82)), ((0.02, 0.84, 0.14), (0.02, 0.80, 0.18))),
    (((0.00, 0.08, 0.92), (0.00, 0.06, 0.94)), ((0.00, 0.70, 0.30), (0.00, 0.65, 0.35))),
)
#: Shape of the spread of the contact within its depth, from its near to its far edge.
_WITHIN = ((2.2, 2.4), (2.6, 2.2), (2.0, 2.4))
_OFF_BACK_WALL_SHARE = 0.28
#: Distance that a ball flies on from its bounce to the contact: least and range, metres.
_CARRY = ((0.30, 0.50), (0.55, 0.70), (0.60, 1.10))
#: Nearest and farthest contacts from the front wall, metres.
_NEAREST_M, _FARTHEST_M = 0.60, 9.45


@dataclass(frozen=True)
class Flight:
    """The ball as the opponent meets it, each array of shape (shots,).

    ``depth`` is 0 front, 1 middle, 2 back; ``contact`` and ``balance`` are codes into the
    vocabulary; ``y_m`` and ``bounce_y_m`` are metres from the front wall and
    ``bounce_gap_m`` metres from the wall at which the ball is met. The bounce is missing
    for a ball that is met in the air.
    """

    depth: Codes
    contact: Codes
    balance: Codes
    y_m: Array
    bounce_y_m: Array
    bounce_gap_m: Array


def draw_flight(
    rng: np.random.Generator,
    purpose: Codes,
    side: Codes,
    family: Codes,
    gap_m: Array,
    crosses: NDArray[np.bool_],
    zones: Zones,
) -> Flight:
    """Draw how the opponent meets each ball.

    Parameters
    ----------
    rng : numpy.random.Generator
    purpose : ndarray, shape (shots,)
        0 attack, 1 reset, 2 serve.
    side, family, gap_m : ndarray, shape (shots,)
        At which the opponent meets the ball: forehand 0, backhand 1; ground 0, volley 1.
    crosses : ndarray of bool, shape (shots,)
        Whether the ball goes to the other side wall.
    zones : Zones
        Gives the edges of front, middle and back.
    """
    count = len(purpose)
    depth = pick_from(rng, DEPTH, purpose, family, side)

    first, second = zones.depth_edges_m
    near, far = np.array([_NEAREST_M, first, second]), np.array([first, second, _FARTHEST_M])
    a, b = np.array(_WITHIN).T
    y = near[depth] + (far - near)[depth] * rng.beta(a[depth], b[depth])

    off_back = (family == GROUND) & (depth == BACK) & (rng.random(count) < _OFF_BACK_WALL_SHARE)
    contact = np.select([family == VOLLEY, off_back], [VOLLEYED, OFF_BACK_WALL], AFTER_BOUNCE)

    least, extra = np.array(_CARRY).T
    bounce_y = y - least[depth] - extra[depth] * rng.random(count)
    # Off the back wall the ball has come out again, so its bounce may lie beyond the contact.
    bounce_y = np.where(off_back, second + 0.3 + 1.5 * rng.beta(2.0, 2.0, count), bounce_y)
    # A serve is good only behind the short line.
    shortest = np.where(purpose == 2, zones.court.short_line_y_m + 0.06, 0.25)
    bounce_y = np.where(family == VOLLEY, np.nan, np.maximum(bounce_y, shortest))

    inward = np.abs(rng.standard_normal(count)) * np.where(crosses, 0.30, 0.06)
    bounce_gap = gap_m * np.exp(0.15 * rng.standard_normal(count)) + inward
    # A serve is good only in the quarter court, clear of the half-court line.
    widest = zones.court.half_width_m - np.where(purpose == 2, 0.10, 0.0)
    bounce_gap = np.clip(bounce_gap, 0.02, widest)
    bounce_gap = np.where(family == VOLLEY, np.nan, bounce_gap)
    return Flight(depth, contact, _balance(rng, purpose, gap_m), y, bounce_y, bounce_gap)


def _balance(rng: np.random.Generator, purpose: Codes, gap_m: Array) -> Codes:
    """Stretched by short balls and tight ones, jammed by balls to the middle of the court."""
    stretched = np.array([0.38, 0.12, 0.06])[purpose] + 0.08 * (gap_m < 0.15)
    jammed = np.where(gap_m > 1.0, 0.16, 0.03)
    drawn: Any = rng.random(len(purpose))
    return np.select([drawn < stretched, drawn < stretched + jammed], [_STRETCHED, _JAMMED], _SET)
