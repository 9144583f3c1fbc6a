"""Scores as they are given: two whole numbers, none below 0."""

from __future__ import annotations

from operator import index
from typing import Any

from sidewall.errors import DataError


def read_pair(name: str, given: Any) -> tuple[int, int]:
    """Read a score such as ``(7, 4)``: the player's first, the opponent's second.

    Raises
    ------
    DataError
        If it is not two whole numbers from 0 up.
    """
    try:
        a, b = (index(number) for number in given)
    except (TypeError, ValueError):
        raise DataError(
            f"{name}={given!r} is not a score: give two whole numbers, the player's first, "
            "such as (7, 4)."
        ) from None
    if a < 0 or b < 0:
        raise DataError(f"{name} {a}-{b} is below 0: give whole numbers from 0 up.")
    return a, b


def read_whole(name: str, given: Any, smallest: int) -> int:
    """Read a whole number of at least ``smallest``."""
    try:
        number = index(given)
    except TypeError:
        number = smallest - 1
    if number < smallest:
        raise DataError(f"{name}={given!r}: give a whole number of at least {smallest}.")
    return number
