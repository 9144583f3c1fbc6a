"""A fit to some shots: what they led to still comes from all rallies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError

SET = "balance == 'set'"


def small_model(outcome="value"):
    return sw.TightnessModel(outcome, situation=(), strokes=False, draws=50)


@pytest.fixture(scope="module")
def log(players):
    return simulate.simulate_shots(players, simulate.round_robin(4, 3), rng=21)


@pytest.fixture(scope="module")
def shots(log):
    return sw.shot_features(log)


@pytest.fixture(scope="module")
def by_value(shots):
    return small_model().fit(shots)


@pytest.fixture(scope="module")
def kept(shots):
    return small_model().fit(shots, keep=SET)


@pytest.mark.parametrize("chosen", ["player == 'Elm'", SET, "shots_left > 0", "shot > 1"])
def test_shots_chosen_beforehand_have_lost_their_next_ball(shots, chosen):
    with pytest.raises(DataError, match=r"next row is not the next ball.*keep="):
        sw.TightnessModel().fit(shots.query(chosen))


def test_a_value_fitted_before_does_not_bring_it_back(shots, by_value):
    model = sw.TightnessModel(value=by_value.value_)
    with pytest.raises(DataError, match="next row is not the next ball"):
        model.fit(shots.query(SET))


def test_whole_rallies_may_be_left_out(shots):
    some = shots.query("match != @shots.match.iloc[0]")
    assert len(small_model().fit(some).used_) > 0


def test_kept_shots_are_judged_by_what_came_next_in_the_whole_log(shots, kept, by_value):
    assert (kept.used_["balance"] == "set").all()
    key = ["match", "rally_id", "shot"]
    every = by_value.used_.set_index(key)["outcome"]
    own = kept.used_.set_index(key)["outcome"]
    pd.testing.assert_series_equal(own, every[every.index.isin(own.index)])
    assert kept.left_out_["not kept"] == (shots["balance"] != "set").sum()
    assert len(kept.used_) + kept.left_out_.sum() == len(shots)


@pytest.mark.parametrize(
    "keep_of", [lambda shots: lambda table: table["balance"] == "set", lambda s: s.balance == "set"]
)
def test_a_query_a_function_and_a_mask_keep_the_same(shots, kept, keep_of):
    again = small_model().fit(shots, keep=keep_of(shots))
    pd.testing.assert_frame_equal(again.curves([0.5]), kept.curves([0.5]))


def test_what_is_told_apart_follows_from_the_kept_shots(shots):
    model = sw.TightnessModel("rally", strokes=False, draws=50).fit(shots, keep=SET)
    assert "balance" not in model.situation_
    assert any(note.startswith("balance: fewer than two kinds") for note in model.notes_)


def test_by_rally_a_shot_chosen_before_is_the_same_as_one_kept(shots):
    """But for the strengths, which come from all rallies."""
    before, after = small_model("rally").fit(shots.query(SET)), small_model("rally")
    after.fit(shots, keep=SET)
    assert len(before.used_) == len(after.used_)
    one, two = (m.curves([0.3, 0.8]) for m in (before, after))
    error = (one["gain_high"] - one["gain_low"]) / 4
    assert (np.abs(one["gain"] - two["gain"]) < error).all()


def test_a_log_in_parts_takes_a_query_and_no_mask(log, kept, tmp_path):
    sw.write_partitions(log, tmp_path / "log")
    parts = sw.from_parquet(tmp_path / "log")
    found = small_model().fit(parts, keep=SET)
    pd.testing.assert_frame_equal(found.curves([0.5]), kept.curves([0.5]), rtol=1e-4)
    with pytest.raises(DataError, match="a mask to keep shots by needs the shots themselves"):
        sw.TightnessModel().fit(parts, keep=[True] * len(log))


def test_a_mask_that_does_not_fit_is_refused(shots):
    with pytest.raises(DataError, match=r"keep gives bool values of shape \(2,\)"):
        sw.TightnessModel().fit(shots, keep=[True, False])
