"""Games played rally by rally with a seeded generator, independent of the recursions."""

from __future__ import annotations

import numpy as np
import pytest


def play_point_a_rally(p_serve, p_receive, to, score, serving, n, seed):
    """Play n games; return points for, points against and rallies of each."""
    rng = np.random.default_rng(seed)
    a, b = np.full(n, score[0]), np.full(n, score[1])
    serve, rallies = np.full(n, serving), np.zeros(n, int)
    while True:
        live = ~((np.maximum(a, b) >= to) & (np.abs(a - b) >= 2))
        if not live.any():
            return a, b, rallies
        won = rng.random(n) < np.where(serve, p_serve, p_receive)
        a += live & won
        b += live & ~won
        rallies += live
        serve = np.where(live, won, serve)


def play_hand_in_hand_out(p_serve, p_receive, to, score, serving, n, seed):
    """Play n games to 9 or 10 with the choice made beforehand."""
    rng = np.random.default_rng(seed)
    a, b = np.full(n, score[0]), np.full(n, score[1])
    serve, rallies = np.full(n, serving), np.zeros(n, int)
    level = (a == 8) & (b == 8)
    while True:
        target = np.where(level, to, 9)
        live = (a < target) & (b < target)
        if not live.any():
            return a, b, rallies
        won = rng.random(n) < np.where(serve, p_serve, p_receive)
        a += live & serve & won
        b += live & ~serve & ~won
        rallies += live
        serve = np.where(live, won, serve)
        level |= (a == 8) & (b == 8)


@pytest.fixture(scope="session")
def players():
    return {"par": play_point_a_rally, "hiho": play_hand_in_hand_out}
