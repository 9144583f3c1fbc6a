from __future__ import annotations

import numpy as np
import pytest

import sidewall.simulate as sim
from sidewall.simulate.pair import Pair

WORLD = sim.World(carry_over=0.5, centre=0.1, unseen=1.0)


def test_first_order_is_the_slope_of_the_resolved_gain() -> None:
    two = sim.draw_players(["Rowan", "Hazel", "Alder"], np.random.default_rng(2), world=WORLD)[:2]
    pair = Pair(WORLD, *two)
    habit = pair._attack[0].mean(axis=0)  # a rule of its own: the same whatever the ease
    level = Pair(WORLD, *two, habit)
    rule = np.broadcast_to((sim.GAPS_M > 0.5) * 1.0, habit.shape)
    small = 1e-5
    moved = Pair(WORLD, *two, habit + small * (rule - habit))
    slope = (moved.rallies_won - level.rallies_won) / small
    assert level.advantage(rule) == pytest.approx(slope, rel=2e-3)
    assert level.advantage(habit) == pytest.approx(0, abs=1e-12)
