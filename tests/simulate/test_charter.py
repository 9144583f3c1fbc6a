from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError
from sidewall.simulate.charter import second_charter


@pytest.fixture(scope="module")
def shots():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    return simulate.simulate_shots(players, [(0, 1)] * 3, rng=21)


def test_the_reader_refuses_nothing(shots, tmp_path):
    second = second_charter(
        shots, miss=0.1, miss_rally=0.1, confuse=0.3, gap_sd_m=0.3, place_sd_m=0.3, time_sd_s=0.5
    )
    assert len(second) < 0.9 * len(shots)
    file = tmp_path / "second.csv"
    simulate.to_log(second).to_csv(file, index=False)
    found = sw.check_log(file)
    assert found.rows_refused == 0
    columns = [c for c in second if c in found.shots]
    pd.testing.assert_frame_equal(
        found.shots[columns], second[columns], check_categorical=False, atol=1e-6
    )


def test_a_charter_without_errors_writes_the_truth(shots):
    same = second_charter(shots, miss=0, confuse=0, gap_sd_m=0)
    columns = same.columns.drop(["line", "rally"])
    pd.testing.assert_frame_equal(same[columns], shots[columns])


def test_errors_have_the_size_asked_for(shots):
    wide = shots.assign(gap_m=shots["gap_m"].where(shots["gap_m"].isna(), 1.5))
    second = second_charter(wide, miss=0, confuse={"side": 0.1, "balance": 0.2}, gap_sd_m=0.1)
    balls = (shots["stroke"] != "serve").to_numpy()
    n = balls.sum()
    assert (second["gap_m"] - wide["gap_m"]).std() == pytest.approx(0.1, rel=5 / np.sqrt(2 * n))
    for column, rate in (("side", 0.1), ("balance", 0.2)):
        known = shots[column].notna()
        share = (second[column] != shots[column])[known].mean()
        assert share == pytest.approx(rate, abs=4 * np.sqrt(rate * (1 - rate) / known.sum()))
    assert (second["stroke"].astype(str) == shots["stroke"].astype(str)).all()


def test_gaps_are_turned_back_at_the_wall(shots):
    tight = shots.assign(gap_m=shots["gap_m"].where(shots["gap_m"].isna(), 0.02))
    gaps = second_charter(tight, miss=0, confuse=0, gap_sd_m=0.1)["gap_m"].dropna()
    assert (gaps >= 0).all()
    assert (gaps == 0).mean() < 0.1  # none pile up at the wall
    assert gaps.mean() == pytest.approx(0.1 * np.sqrt(2 / np.pi), abs=0.01)


def test_missed_shots_go_in_twos_and_the_ending_stays(shots):
    second = second_charter(shots, miss=0.2, confuse=0, gap_sd_m=0)
    lost = shots.groupby(["match", "game", "rally"], observed=True).size()
    lost = lost - second.groupby(["match", "game", "rally"], observed=True).size()
    assert set(lost % 2) == {0}
    assert lost.max() > 2
    ends, true = (t.dropna(subset=["ending"]).reset_index() for t in (second, shots))
    assert (ends["ending"] == true["ending"]).all()
    assert (ends["player"] == true["player"]).all()
    assert second.groupby(["match", "game", "rally"], observed=True)["shot"].first().eq(1).all()


def test_one_seed_one_log(shots):
    pd.testing.assert_frame_equal(second_charter(shots, seed=5), second_charter(shots, seed=5))
    assert not second_charter(shots, seed=5)["gap_m"].equals(second_charter(shots, seed=6)["gap_m"])


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"miss": 1.5}, "miss is 1.5"),
        ({"gap_sd_m": -0.1}, "gap_sd_m is -0.1"),
        ({"confuse": {"grip": 0.1}}, "'grip' is no column of words"),
        ({"confuse": 2.0}, "side is 2.0"),
    ],
)
def test_refusals(shots, wrong, says):
    with pytest.raises(DataError, match=says):
        second_charter(shots, **wrong)
