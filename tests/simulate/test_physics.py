from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import sidewall.simulate as sim
from sidewall.simulate.physics import striker_tables

PHYSICS = sim.Physics()
ability = arrays(float, (2, 2), elements=st.floats(-2.0, 2.0))
players = st.builds(
    sim.SimPlayer,
    name=st.just("Rowan"),
    touch=ability,
    looseness_gain=ability,
    length=ability,
    steadiness=ability,
    retrieving=st.floats(-1.5, 1.5),
    attack_from_m=arrays(float, (2, 2), elements=st.floats(0.0, 3.2)),
)


@given(one=players, two=players)
@settings(max_examples=40, deadline=None)
def test_probabilities_add_up_to_one(one: sim.SimPlayer, two: sim.SimPlayer) -> None:
    tables = striker_tables(PHYSICS, one, two)
    total = tables.win + tables.error + tables.go_on + PHYSICS.let
    np.testing.assert_allclose(total, 1.0, rtol=1e-12)
    for part in (tables.win, tables.error, tables.go_on, tables.attack):
        assert ((part >= 0) & (part <= 1)).all()
    gap = PHYSICS.gap_distribution(tables.reply_m)
    np.testing.assert_allclose(gap.sum(axis=-1), 1.0, rtol=1e-9)
    assert (gap >= 0).all()


@given(one=players, two=players)
@settings(max_examples=10, deadline=None)
def test_solved_chances_are_chances_and_two_players_share_one_rally(
    one: sim.SimPlayer, two: sim.SimPlayer
) -> None:
    values = sim.solve_pair(PHYSICS, one, two)
    for part in (*values.by_choice, *values.by_ball, *values.server):
        assert np.all((np.asarray(part) > 0) & (np.asarray(part) < 1))
    swapped = sim.solve_pair(PHYSICS, two, one)
    np.testing.assert_allclose(swapped.by_choice[1], values.by_choice[0], rtol=1e-9)
    np.testing.assert_allclose(swapped.server, values.server[::-1], rtol=1e-9)


def test_cells_of_the_next_ball_add_up() -> None:
    np.testing.assert_allclose(PHYSICS.next_cell().sum(axis=(1, 2)), 1.0)
    np.testing.assert_allclose(PHYSICS.serve_cell().sum(), 1.0)


def test_the_ball_before_the_choice_is_the_habit_mixed() -> None:
    one, two = sim.draw_players(["Rowan", "Hazel"], np.random.default_rng(3))
    physics = sim.Physics(let=0.0)  # without lets the two forms of the chance agree exactly
    values = sim.solve_pair(physics, one, two)
    attack = striker_tables(physics, one, two).attack
    mixed = attack * values.by_choice[0][0] + (1 - attack) * values.by_choice[0][1]
    np.testing.assert_allclose(values.by_ball[0], mixed, rtol=1e-10)


def test_equal_players_share_the_rallies_of_both_servers() -> None:
    values = sim.solve_pair(PHYSICS, sim.SimPlayer("Rowan"), sim.SimPlayer("Hazel"))
    assert values.server[0] == pytest.approx(values.server[1])


GAPS = np.array([0.0, 1.0, 2.0, 3.0])


@pytest.mark.parametrize(
    ("difference", "crossing"),
    [
        ([-1, 1, 2, 3], 0.5),
        ([-1, -1, 3, 4], 1.25),
        ([1, -1, -1, 1], 2.5),  # the last time counts
        ([-1, 0, 1, 2], 1.0),
        ([1, 1, 1, 1], -np.inf),
        ([-1, -1, -1, -1], np.inf),
        ([1, 1, 1, -1], np.inf),
        ([-1, 1, 1, 0], np.inf),
    ],
)
def test_crossing_gap(difference: list[float], crossing: float) -> None:
    assert sim.crossing_gap(GAPS, np.array(difference, dtype=float)) == pytest.approx(crossing)
