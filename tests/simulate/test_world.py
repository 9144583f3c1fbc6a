"""What may happen to a ball: chances add up, and every switch does what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import sidewall.simulate as sim
from sidewall.errors import DataError
from sidewall.simulate.pair import Pair
from sidewall.simulate.world import (
    LEVELS,
    MERITS,
    MIDDLE,
    SERVE_KIND,
    at_season,
    kind_of,
    stack,
    stroke_mix,
)

EVERYTHING = sim.World(
    carry_over=0.6, strokes=True, steep=3.0, bent=True, kinks_m=0.08, centre=0.15, unseen=2.0
)
PLAIN = sim.World()
ALIKE = [sim.SimPlayer("Rowan"), sim.SimPlayer("Hazel")]
ability = arrays(float, (2, 2), elements=st.floats(-2.0, 2.0))
players = st.builds(
    sim.SimPlayer,
    name=st.just("Rowan"),
    hand=st.sampled_from(["right", "left"]),
    touch=ability,
    looseness_gain=ability,
    length=ability,
    steadiness=ability,
    retrieving=st.floats(-1.5, 1.5),
    attack_from_m=arrays(float, (2, 2), elements=st.floats(0.0, 3.2)),
    merit=arrays(float, MERITS, elements=st.floats(-1.5, 1.5)),
    stretched=st.floats(-1.0, 1.0),
    kink_m=st.floats(-0.2, 0.2),
)


@pytest.mark.parametrize("world", [PLAIN, EVERYTHING], ids=["plain", "everything"])
def test_chances_of_the_ball_on_its_way_add_up_to_one(world: sim.World) -> None:
    np.testing.assert_allclose(world.gap_table.sum(axis=1), 1.0, rtol=1e-9)
    cells = world.cell_table
    np.testing.assert_allclose(cells.sum(axis=(-4, -3, -2, -1)), 1.0, rtol=1e-9)
    assert (cells >= 0).all()
    assert world.serve_levels.sum() == pytest.approx(1.0)
    a = stack(sim.draw_players(["Rowan", "Hazel"], np.random.default_rng(1)))
    mix = stroke_mix(a, 1, *np.ix_(range(2), range(3), range(2)))
    np.testing.assert_allclose(mix[..., :3].sum(axis=-1), 1.0)
    np.testing.assert_allclose(mix[..., 3:].sum(axis=-1), 1.0)


@given(one=players, two=players)
@settings(max_examples=8, deadline=None)
def test_solved_chances_are_chances_and_two_players_share_one_rally(
    one: sim.SimPlayer, two: sim.SimPlayer
) -> None:
    pair, swapped = Pair(EVERYTHING, one, two), Pair(EVERYTHING, two, one)
    for part in (pair.chances(0), pair.by_ball(1), pair.server):
        assert np.all((np.asarray(part) > 0) & (np.asarray(part) < 1))
    np.testing.assert_allclose(swapped.chances(1), pair.chances(0), rtol=1e-7)
    np.testing.assert_allclose(swapped.server, pair.server[::-1], rtol=1e-7)
    assert swapped.rallies_won == pytest.approx(1.0 - pair.rallies_won)


def test_gaps_are_drawn_as_the_table_has_them() -> None:
    rng = np.random.default_rng(4)
    edges = np.append((sim.GAPS_M[1:] + sim.GAPS_M[:-1]) / 2, np.inf)
    for level in (0, 5, MIDDLE):
        drawn = PLAIN.draw_gaps(np.full(40_000, level), rng)
        assert np.allclose(drawn, drawn.round(2))
        share = PLAIN.gap_table[level]
        # drawn in whole centimetres: compare where the grid has them all
        for k in np.flatnonzero((share > 0.002) & (sim.GAPS_M < 0.99)):
            found = ((drawn < edges[k]) & (drawn > edges[k - 1] if k else True)).mean()
            assert found == pytest.approx(share[k], abs=4.5 * np.sqrt(share[k] / 40_000))
        mean = np.sqrt(drawn.var() / 40_000)
        assert drawn.mean() == pytest.approx(share @ sim.GAPS_M, abs=4 * mean + 0.002)


def test_a_boast_ends_at_the_other_side_wall() -> None:
    boast = sim.PLAYED.index("boast")
    # from my backhand to another right-hander's forehand, to a left-hander's backhand
    assert kind_of(boast, 1, False) == 4
    assert kind_of(boast, 1, True) == 5
    assert PLAIN.cell_table[4, :, 0, 1].sum() == 0


def attack_curve(world: sim.World, kink_m: float = 0.0) -> np.ndarray:
    a = stack([sim.SimPlayer("Rowan", kink_m=kink_m)])
    return world.shot(a, 0, (0, 0, 1, 0, sim.GAPS_M), 0)[1]


def test_steep_and_bent_curves() -> None:
    at = np.searchsorted(sim.GAPS_M, [0.2, 0.3, 0.6, 0.9])
    plain, steep = np.diff(attack_curve(PLAIN)[at]), np.diff(attack_curve(sim.World(steep=3))[at])
    np.testing.assert_allclose(steep, 3 * plain)
    bent = np.diff(attack_curve(sim.World(bent=True))[at])
    assert bent[0] == pytest.approx(1.8 * plain[0])
    assert bent[2] == pytest.approx(0.1 * plain[2])
    later = np.diff(attack_curve(sim.World(kinks_m=0.08), kink_m=0.5)[at])
    assert later[2] == pytest.approx(1.8 * plain[2])


def test_as_many_balls_through_the_middle_as_asked_for() -> None:
    shots = sim.play_matches(ALIKE, [(0, 1)] * 60, np.random.default_rng(1), sim.World(centre=0.15))
    met = shots.loc[shots["shot"] > 1, "gap_m"]
    assert (met > 1.5).mean() == pytest.approx(0.15, abs=0.03)
    assert LEVELS == MIDDLE + 1


def test_stretched_for_a_believable_share() -> None:
    """15 to 20 in 100, common practice, no source."""
    shots = sim.play_matches(ALIKE, [(0, 1)] * 60, np.random.default_rng(2))
    assert 0.15 < shots.loc[shots["shot"] > 1, "balance"].mean() < 0.20
    assert (shots["out"] == 0).all()


def test_position_carries_over() -> None:
    world = sim.World(carry_over=0.6)
    shots = sim.play_matches(ALIKE, [(0, 1)] * 100, np.random.default_rng(3), world)
    later = shots[(shots["shot"] > 3)]
    before = shots.shift(2).loc[later.index]
    strained = (before["balance"] == 1) | (before["out"] == 1)
    assert later.loc[~strained, "out"].sum() == 0
    assert later.loc[strained, "out"].mean() == pytest.approx(0.6, abs=0.03)
    stretched = later.groupby("out")["balance"].mean()
    assert stretched[1] > 2 * stretched[0]
    seen = shots[shots["shot"] > 1]
    assert (seen["opponent_out"].mean()) == pytest.approx(seen["out"].mean(), abs=0.05)


@pytest.mark.parametrize("unseen", [1.0, 3.0])
def test_attacked_balls_are_easier_by_as_much_as_asked_for(unseen: float) -> None:
    pair = Pair(sim.World(unseen=unseen), *ALIKE)
    choose = pair._choose(0)[:, :3]
    by_ease = []
    for ease in (0, 1):
        only = np.zeros((2, 1, 1, 1, 1, 1, 1))
        only[ease] = 2.0
        value = pair._averaged(0, only)[:3]
        by_ease.append(value[..., 0] / value.sum(axis=-1))
    weight = choose * pair.own_balls(0)
    chosen = (weight * np.array(by_ease)).sum() / weight.sum()
    forced = (weight * np.mean(by_ease, axis=0)).sum() / weight.sum()
    assert 100 * (chosen - forced) == pytest.approx(unseen, rel=0.15)


def test_drawn_players_differ_as_the_world_says() -> None:
    names = [f"Tree {k}" for k in range(200)]
    plain = sim.draw_players(names, np.random.default_rng(5))
    assert all((one.merit == 0).all() and one.kink_m == 0 and one.drift == 0 for one in plain)
    world = sim.World(strokes=True, kinks_m=0.08, drift=0.3)
    drawn = sim.draw_players(names, np.random.default_rng(5), world=world)
    assert np.std([one.kink_m for one in drawn]) == pytest.approx(0.08, rel=0.2)
    assert np.std([one.drift for one in drawn]) == pytest.approx(0.3, rel=0.2)
    assert np.std([one.merit for one in drawn]) > 0.4
    alike = sim.draw_players(names[:2], np.random.default_rng(5), 0.0, world)
    assert (alike[0].merit == 0).all()
    np.testing.assert_array_equal(alike[0].touch, alike[1].touch)


def test_abilities_drift_over_the_season() -> None:
    one = sim.SimPlayer("Rowan", drift=0.4)
    np.testing.assert_allclose(at_season(one, 1.0).touch - at_season(one, 0.0).touch, 0.4)
    np.testing.assert_allclose(at_season(one, 0.5).length, one.length)
    schedule = [(0, 1)] * 3
    two = [one, sim.SimPlayer("Hazel")]
    mean = sim.win_chances(two, schedule)[0]
    parts = [sim.win_chances([at_season(one, t), two[1]], [(0, 1)])[0] for t in (0.0, 0.5, 1.0)]
    np.testing.assert_allclose(mean, np.mean(parts, axis=0), rtol=1e-10)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"carry_over": 1.2}, "carry_over is 1.2"),
        ({"steep": "much"}, "steep"),
        ({"let": -1}, "let"),
    ],
)
def test_a_world_that_cannot_be_is_refused(wrong: dict, says: str) -> None:
    with pytest.raises(DataError, match=says):
        sim.World(**wrong)


def test_the_serve_is_no_kind_of_stroke() -> None:
    kinds = {int(kind_of(k, s, h)) for k in range(5) for s in (0, 1) for h in (False, True)}
    assert kinds == set(range(SERVE_KIND))
    assert replace(PLAIN, let=0.1).let == 0.1
