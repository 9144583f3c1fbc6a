"""When every shot is struck, in seconds into the video."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidewall.log.vocabulary import CONTACTS

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

#: Mean seconds to the opponent's strike by purpose (attack, reset, serve) and by how the
#: opponent meets the ball: volley, after the bounce in front, middle, back, off the back
#: wall. Fitted to the published tempo of about 1.34 s (men) and 1.39 s (women) a shot.
_SECONDS = (
    (0.96, 1.18, 1.14, 1.28, 1.68),
    (1.08, 1.36, 1.30, 1.42, 1.76),
    (1.25, 1.40, 1.54, 1.64, 1.94),
)
_SPREAD = 0.13
_WARM_UP_S, _BETWEEN_RALLIES_S, _BETWEEN_GAMES_S = 20.0, 12.0, 90.0


def draw_times(
    rng: np.random.Generator,
    purpose: Codes,
    next_contact: Codes,
    next_depth: Codes,
    last: NDArray[np.bool_],
    game: Codes,
    match: Codes,
) -> Array:
    """Draw the time of every shot of matches in order.

    Parameters
    ----------
    rng : numpy.random.Generator
    purpose, next_contact, next_depth : ndarray, shape (shots,)
        Of the ball on its way.
    last : ndarray of bool, shape (shots,)
        Whether the rally ends with the shot.
    game, match : ndarray, shape (shots,)

    Returns
    -------
    ndarray, shape (shots,)
        Seconds from the beginning of the match's video, never running back.
    """
    count = len(purpose)
    after_bounce = next_contact == CONTACTS.index("after_bounce")
    off_back = next_contact == CONTACTS.index("off_back_wall")
    met = np.select([after_bounce, off_back], [1 + next_depth, 4], 0)
    flight = np.array(_SECONDS)[purpose, met] * np.exp(_SPREAD * rng.standard_normal(count))
    pause = _BETWEEN_RALLIES_S * np.exp(0.3 * rng.standard_normal(count))
    new_game = np.zeros(count, dtype=bool)
    new_game[:-1] = (np.diff(game) != 0) | (np.diff(match) != 0)
    step = flight + np.where(last, pause, 0.0) + np.where(last & new_game, _BETWEEN_GAMES_S, 0.0)
    begins = np.cumsum(step) - step
    first = np.flatnonzero(np.diff(match, prepend=-1))
    start = np.repeat(begins[first], np.diff(np.append(first, count)))
    return _WARM_UP_S + begins - start
