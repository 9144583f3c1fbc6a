"""How a rally ends, and how high the ball hits the front wall."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from sidewall.court import Court
from sidewall.log.vocabulary import ENDINGS, STROKES
from sidewall.simulate.play import ERROR, LET, WIN, pick

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_WINNER, _TIN, _OUT, _DOWN, _STROKE, _NO_LET, _LET = (
    ENDINGS.index(word) for word in ("winner", "tin", "out", "down", "stroke", "no_let", "let")
)
_SERVE = STROKES.index("serve")
_NO_LET_SHARE = 0.04
#: Shares of tin, out, down and stroke (given to the opponent) among lost shots.
_LOST = {
    "serve": (0.00, 0.65, 0.35, 0.00),
    "drive": (0.28, 0.16, 0.42, 0.14),
    "drop": (0.86, 0.00, 0.08, 0.06),
    "lob": (0.00, 0.62, 0.33, 0.05),
    "boast": (0.80, 0.02, 0.13, 0.05),
    "back_wall_boast": (0.00, 0.45, 0.55, 0.00),
    "kill": (0.88, 0.02, 0.05, 0.05),
}
#: How far over the tin a ball is aimed when nothing is at risk, metres, for strokes that
#: may end in the tin; mean and standard deviation of the height for the others. A drive to
#: the back then hits the wall about the service line, a safe drop 30 to 45 cm over the tin
#: (common practice, no source).
_OVER_TIN_M = {"drive": 1.50, "drop": 0.52, "kill": 0.36, "boast": 0.60}
_HEIGHT_M = {"serve": (3.0, 0.45), "lob": (3.4, 0.40), "back_wall_boast": (2.4, 0.45)}
#: Where a ball in the tin hits it, at the lowest: half the ball's size over the floor.
_LOWEST_M = 0.02
#: Standard deviations that the aim never falls below: at worst nearly every other ball dies.
_LEAST_MARGIN = 0.05


def _by_stroke(values: dict[str, Any], otherwise: Any) -> NDArray[np.float64]:
    return np.array([values.get(stroke, otherwise) for stroke in STROKES], dtype=float)


def draw_endings(rng: np.random.Generator, stroke: Codes, result: Codes) -> Codes:
    """Draw how the rally ends, as a code into the vocabulary; -1 where it goes on."""
    lost = np.array([_TIN, _OUT, _DOWN, _STROKE])[
        pick(rng, _by_stroke(_LOST, (0.85, 0.05, 0.05, 0.05))[stroke])
    ]
    refused = (rng.random(len(stroke)) < _NO_LET_SHARE) & (stroke != _SERVE)
    won = np.where(refused, _NO_LET, _WINNER)
    return np.select([result == WIN, result == ERROR, result == LET], [won, lost, _LET], -1)


def draw_heights(
    rng: np.random.Generator, stroke: Codes, ending: Codes, error: Array, court: Court
) -> Array:
    """Draw the height at which the ball hits the front wall, metres.

    The height is normal (cut off at the floor), and a ball is in the tin exactly when it
    falls below the tin's upper edge: the chance of the tin in this state fixes how many
    standard deviations over it the ball is aimed, and the riskier the ball, the nearer the
    aim and the wider the scatter. A ball that was down never reached the wall: its height
    is missing.

    Parameters
    ----------
    rng : numpy.random.Generator
    stroke, ending : ndarray, shape (shots,)
    error : ndarray, shape (shots,)
        Chance of losing the rally with this shot, given the state and the choice.
    court : Court
    """
    tin, line = court.tin_height_m, court.front_wall_line_m
    in_tin = error * _by_stroke(_LOST, (0.0,) * 4)[stroke, 0]
    margin = np.maximum(-ndtri(np.clip(in_tin, 1e-9, 0.5)), _LEAST_MARGIN)
    below = ndtr(-margin)
    uniform = rng.random(len(stroke))
    hit_tin = ending == _TIN
    scatter = _by_stroke(_OVER_TIN_M, np.nan)[stroke] / (margin + 0.6)
    floor = ndtr((_LOWEST_M - tin) / scatter - margin)
    at = ndtri(
        np.where(hit_tin, floor + uniform * (below - floor), below + uniform * (1.0 - below))
    )
    height = tin + scatter * (margin + at)

    mean, spread = _by_stroke(_HEIGHT_M, (np.nan, np.nan))[stroke].T
    lowest = np.where(stroke == _SERVE, court.service_line_m + court.line_width_m, tin) + 0.01
    free = mean + spread * ndtri(uniform)
    height = np.where(np.isnan(height), free, height)
    height = np.where(hit_tin, np.minimum(height, tin - 0.01), np.maximum(height, lowest))
    height = np.minimum(height, line - 0.02)
    out = line + court.line_width_m + 0.6 * uniform
    return np.select([ending == _OUT, ending == _DOWN], [out, np.nan], height)
