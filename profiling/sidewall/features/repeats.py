"""How often running a player has given the same reply to the same situation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["joint_code", "same_reply_runs"]


def joint_code(*codes: NDArray[np.int64]) -> NDArray[np.int64]:
    """One integer for each combination of codes; -1 (missing) is a value of its own."""
    joint = np.zeros(len(codes[0]), dtype=np.int64)
    for part in codes:
        joint = joint * (int(part.max(initial=-1)) + 2) + part + 1
    return joint


def same_reply_runs(
    situation: NDArray[np.int64], reply: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Length of the run of equal replies that ends just before each shot.

    Parameters
    ----------
    situation
        (shots,) code of whose turn it is and what he faces; shots in order of play.
    reply
        (shots,) code of what was played.

    Returns
    -------
    run
        (shots,) 0 the first time a situation comes up; else how many of the latest replies
        to it, counted back from the one before, were all the same.
    repeats
        (shots,) 1.0 if this reply equals the one before, 0.0 if not, NaN the first time.
    """
    n = len(situation)
    order = np.argsort(situation, kind="stable")
    where, what = situation[order], reply[order]
    follows = np.zeros(n, dtype=bool)
    follows[1:] = where[1:] == where[:-1]
    same = follows.copy()
    same[1:] &= what[1:] == what[:-1]
    place = np.arange(n)
    began = np.maximum.accumulate(np.where(same, 0, place)) if n else place
    with_this = place - began + 1
    run = np.zeros(n, dtype=np.int64)
    run[order[1:]] = np.where(follows[1:], with_this[:-1], 0)
    repeats = np.full(n, np.nan)
    repeats[order] = np.where(follows, same, np.nan)
    return run, repeats
