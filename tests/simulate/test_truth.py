from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall.simulate as sim

PAIR = [sim.SimPlayer("Rowan"), sim.SimPlayer("Hazel")]


def with_touch(touch: float) -> list[sim.SimPlayer]:
    return [sim.SimPlayer("Rowan", touch=np.full((2, 2), touch)), PAIR[1]]


def of_rowan(thresholds: pd.DataFrame) -> pd.DataFrame:
    return thresholds[thresholds["player"] == "Rowan"]


def test_players_alike_have_one_threshold() -> None:
    thresholds = sim.true_thresholds(PAIR, [(0, 1)])
    assert len(thresholds) == 8
    assert (thresholds["status"] == "crosses").all()
    assert thresholds["threshold_m"].std() == pytest.approx(0, abs=1e-9)
    assert thresholds["threshold_m"].between(0.3, 0.8).all()


def test_a_better_touch_lowers_the_threshold() -> None:
    low, mid, high = (
        of_rowan(sim.true_thresholds(with_touch(touch), [(0, 1)]))["threshold_m"].mean()
        for touch in (0.5, 0.0, -0.5)
    )
    assert low < mid < high


@pytest.mark.parametrize(
    ("touch", "status", "threshold"),
    [(9.0, "attack at any gap", -np.inf), (-12.0, "reset at any gap", np.inf)],
)
def test_thresholds_that_do_not_cross(touch: float, status: str, threshold: float) -> None:
    found = of_rowan(sim.true_thresholds(with_touch(touch), [(0, 1)]))
    assert (found["status"] == status).all()
    assert (found["threshold_m"] == threshold).all()


def test_curves_cross_at_the_threshold(ladder: sim.Scenario) -> None:
    thresholds = ladder.thresholds()
    crossing = thresholds[thresholds["status"] == "crosses"]
    for row in crossing.itertuples():
        gaps = [row.threshold_m - 0.1, row.threshold_m, row.threshold_m + 0.1]
        curves = ladder.curves(gaps)
        mine = curves[
            (curves["player"] == row.player)
            & (curves["side"] == row.side)
            & (curves["family"] == row.family)
        ]
        attack, reset = (
            mine.loc[mine["choice"] == choice, "win_probability"].to_numpy()
            for choice in ("attack", "reset")
        )
        difference = attack - reset
        assert difference[0] < 0 < difference[2]
        assert difference[1] == pytest.approx(0, abs=1e-9)


def test_truth_is_the_mean_over_the_matches_played() -> None:
    three = sim.draw_players(["Rowan", "Hazel", "Alder"], np.random.default_rng(2))
    by_match = [sim.true_curves(three, [pair]) for pair in ((0, 1), (0, 2))]
    both = sim.true_curves(three, [(0, 1), (0, 2), (2, 0)])
    one, two = (
        frame.loc[frame["player"] == "Rowan", "win_probability"].to_numpy() for frame in by_match
    )
    mean = both.loc[both["player"] == "Rowan", "win_probability"].to_numpy()
    np.testing.assert_allclose(mean, (one + 2 * two) / 3, rtol=1e-12)


def test_who_does_not_play_has_no_truth() -> None:
    three = [*PAIR, sim.SimPlayer("Alder")]
    assert set(sim.true_thresholds(three, [(0, 1)])["player"]) == {"Rowan", "Hazel"}


def test_equal_abilities_under_another_name_do_not_mix_up_the_cache() -> None:
    better = with_touch(0.8)
    first = of_rowan(sim.true_thresholds(better, [(0, 1)]))["threshold_m"]
    again = of_rowan(sim.true_thresholds(better, [(1, 0)]))["threshold_m"]
    np.testing.assert_allclose(first, again, rtol=1e-9)
    other = of_rowan(sim.true_thresholds(better, [(0, 1)], sim.Physics(attack_error=-1.5)))
    assert (other["threshold_m"].to_numpy() > first.to_numpy()).all()
