"""Which stroke carries a choice, given where the ball is met and where it goes."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sidewall.log.vocabulary import CONTACTS, STROKES
from sidewall.simulate.draws import pick_from
from sidewall.simulate.flight import BACK, FRONT
from sidewall.simulate.physics import ATTACK

Codes = NDArray[np.int64]

SERVE = STROKES.index("serve")
BOASTS = np.array([STROKES.index("boast"), STROKES.index("back_wall_boast")])

#: Weights of strokes by depth (front, middle, back) of the contact after the bounce.
_GROUND_ATTACK = (
    {"drop": 0.70, "kill": 0.20, "boast": 0.20},
    {"drop": 0.50, "kill": 0.32, "boast": 0.36},
    {"drop": 0.62, "kill": 0.18, "boast": 0.40},
)
_GROUND_RESET = (
    {"drive": 0.55, "lob": 0.45},
    {"drive": 0.90, "lob": 0.10},
    {"drive": 0.86, "lob": 0.14},
)
_VOLLEY_ATTACK = {"drop": 0.62, "kill": 0.38}
_VOLLEY_RESET = {"drive": 0.86, "lob": 0.14}
_BACK_WALL_ATTACK = {"drop": 0.75, "kill": 0.25}
_BACK_WALL_RESET = {"drive": 0.86, "lob": 0.14}
#: Dug out of the back corner to the front of the other side.
_BACK_WALL_BOAST = {"boast": 0.45, "back_wall_boast": 0.30, "drive": 0.15, "lob": 0.10}


def _weights(choice: int, contact: str, depth: int, to: int, crosses: bool) -> dict[str, float]:
    attack = choice == ATTACK
    if contact == "volley":
        return _VOLLEY_ATTACK if attack else _VOLLEY_RESET
    if contact == "off_back_wall":
        if attack:
            return _BACK_WALL_ATTACK
        return _BACK_WALL_BOAST if to == FRONT and crosses else _BACK_WALL_RESET
    return (_GROUND_ATTACK if attack else _GROUND_RESET)[depth]


@cache
def stroke_table() -> NDArray[np.float64]:
    """Weights of the strokes.

    Returns
    -------
    ndarray, shape (choice, contact, depth, depth the ball goes to, crosses, stroke)
    """
    table = np.zeros((2, len(CONTACTS), 3, 3, 2, len(STROKES)))
    for at in product(range(2), range(len(CONTACTS)), range(3), range(3), range(2)):
        choice, contact, depth, to, crosses = at
        for stroke, weight in _weights(choice, CONTACTS[contact], depth, to, bool(crosses)).items():
            # A boast ends in the front of the other side; a lob or a drop has its own end.
            possible = {
                "boast": to == FRONT and bool(crosses),
                "back_wall_boast": to == FRONT and bool(crosses),
            }.get(stroke, True)
            unlikely = {"lob": to != BACK, "drop": to == BACK}.get(stroke, False)
            table[*at, STROKES.index(stroke)] = weight * possible * (0.15 if unlikely else 1.0)
    return table


def draw_strokes(
    rng: np.random.Generator,
    choice: Codes,
    contact: Codes,
    depth: Codes,
    to: Codes,
    crosses: NDArray[np.bool_],
) -> tuple[Codes, Codes]:
    """Draw strokes and their directions, as codes into the vocabulary.

    Parameters
    ----------
    rng : numpy.random.Generator
    choice : ndarray, shape (shots,)
        0 attack, 1 reset, -1 for a serve.
    contact, depth : ndarray, shape (shots,)
        Of the ball that is met; not looked at for a serve.
    to : ndarray, shape (shots,)
        Depth at which the opponent meets the ball.
    crosses : ndarray of bool, shape (shots,)

    Returns
    -------
    stroke, direction : ndarray, shape (shots,)
        A serve and a boast have no direction (-1).
    """
    serve = choice < 0
    met = (np.where(serve, 0, code) for code in (choice, contact, depth))
    stroke = pick_from(rng, stroke_table(), *met, to, crosses.astype(np.int64))
    stroke = np.where(serve, SERVE, stroke)
    straight_or_cross = crosses.astype(np.int64)
    return stroke, np.where(serve | np.isin(stroke, BOASTS), -1, straight_or_cross)
