from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
import sidewall.simulate as sim
from sidewall.errors import DataError, UnitError


def test_same_seed_same_shots_and_another_seed_others(ladder: sim.Scenario) -> None:
    one = ladder.shots(5)
    pd.testing.assert_frame_equal(one, ladder.shots(5))
    other = ladder.shots(6)
    assert len(one) != len(other) or not one["gap_m"].equals(other["gap_m"])


def test_a_generator_goes_on(ladder: sim.Scenario) -> None:
    rng = np.random.default_rng(8)
    first = sim.simulate_shots(ladder.players, ladder.schedule[:2], rng)
    second = sim.simulate_shots(ladder.players, ladder.schedule[:2], rng)
    pd.testing.assert_frame_equal(first, sim.simulate_shots(ladder.players, ladder.schedule[:2], 8))
    assert len(first) != len(second) or not first["gap_m"].equals(second["gap_m"])


@pytest.mark.parametrize("unit", ["cm", "m"])
def test_the_log_reads_back_as_the_same_table(ladder_shots: pd.DataFrame, unit: str) -> None:
    log = sim.to_log(ladder_shots, unit)
    pd.testing.assert_frame_equal(sw.read_shots(log, on_refused="raise"), ladder_shots)


def test_a_log_in_boards_carries_their_width(ladder_shots: pd.DataFrame) -> None:
    few = ladder_shots[ladder_shots["match"] == "w1m1"]
    log = sim.to_log(few, "boards", board_width_m=0.07)
    assert (log["board_width_cm"] == 7.0).all()
    back = sw.read_shots(log, on_refused="raise")
    gap = few["gap_m"].to_numpy()
    np.testing.assert_allclose(back["gap_m"], gap, atol=0.005 * 0.07 + 1e-9)
    own = sim.to_log(few.assign(board_width_m=0.05), "boards")
    np.testing.assert_allclose(own["gap_boards"], gap / 0.05, atol=0.0051)
    with pytest.raises(UnitError, match="width of a board"):
        sim.to_log(few, "boards")


def test_schedules_that_cannot_be_played_are_refused(ladder: sim.Scenario) -> None:
    with pytest.raises(DataError, match="Match 2 of the schedule"):
        sim.simulate_shots(ladder.players, [(0, 1), (2, 2)], 1)
    with pytest.raises(DataError, match="Match 1 of the schedule"):
        sim.simulate_shots(ladder.players, [(0, 10)], 1)
    with pytest.raises(DataError, match="empty"):
        sim.simulate_shots(ladder.players, [], 1)
    with pytest.raises(DataError, match="share a name"):
        sim.simulate_shots([ladder.players[0]] * 2, [(0, 1)], 1)
    with pytest.raises(DataError, match="match_names"):
        sim.simulate_shots(ladder.players, [(0, 1), (1, 2)], 1, match_names=["a", "a"])


@pytest.mark.parametrize("players", [2, 5, 10])
def test_round_robin_lets_everyone_meet_once(players: int) -> None:
    schedule = sim.round_robin(players)
    met = {frozenset(pair) for pair in schedule}
    assert len(met) == len(schedule) == players * (players - 1) // 2


def test_round_robin_by_rounds() -> None:
    schedule = sim.round_robin(10, 4)
    assert len(schedule) == 20
    assert np.bincount(np.ravel(schedule)).tolist() == [4] * 10
    again = sim.round_robin(4, 6)
    assert again[:6] == again[6:]
    for first in range(0, 20, 5):
        assert sorted(np.ravel(schedule[first : first + 5])) == list(range(10))
    with pytest.raises(DataError, match="at least two"):
        sim.round_robin(1)
