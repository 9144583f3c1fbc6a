"""What is counted on the way through a game."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sidewall.arguments import Array, Floats


@dataclass(frozen=True)
class Tally:
    """Quantities whose expectation a game is asked for; the first is always the win.

    Attributes
    ----------
    rally, won, lost : ndarray, shape (k, 1)
        What each quantity gains by a rally, by a point won and by a point lost.
    end : callable
        What each quantity gains, shape (k, 1), when the game ends at the score given.
    """

    rally: Floats
    won: Floats
    lost: Floats
    end: Callable[[int, int], Floats]


def _column(*numbers: float) -> Floats:
    return np.array(numbers, dtype=np.float64)[:, None]


#: The chance of winning alone.
WIN = Tally(_column(0), _column(0), _column(0), lambda a, b: _column(a > b))

#: The chance of winning, rallies, points for, points against.
COURSE = Tally(
    _column(0, 1, 0, 0),
    _column(0, 0, 1, 0),
    _column(0, 0, 0, 1),
    lambda a, b: _column(a > b, 0, 0, 0),
)


def final_scores_tally(finals: list[tuple[int, int]]) -> Tally:
    """Count the chance of winning and then of each final score."""
    nothing = np.zeros((len(finals) + 1, 1))

    def end(a: int, b: int) -> Floats:
        return _column(a > b, *((a, b) == final for final in finals))

    return Tally(nothing, nothing, nothing, end)


def mix(chance: Array, won: Array, lost: Array) -> Array:
    """Average what follows a rally won and a rally lost.

    What cannot happen has no say: it may be NaN, the mark of a game that never ends.
    """
    both = chance * won + (1.0 - chance) * lost
    return np.where(chance == 0.0, lost, np.where(chance == 1.0, won, both))
