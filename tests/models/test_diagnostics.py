import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sidewall.models.selection import clustered_mean, log_losses
from sklearn.metrics import brier_score_loss, log_loss

import sidewall as sw
from sidewall.errors import DataError
from sidewall.models.diagnostics import brier_parts, calibration_table


@settings(max_examples=40)
@given(st.integers(0, 2**31), st.integers(5, 200))
def test_brier_parts_add_up_to_the_score(seed, n):
    rng = np.random.default_rng(seed)
    won, win = rng.integers(0, 2, n).astype(float), rng.random(n)
    parts = brier_parts(won, win)
    total = parts["reliability"] - parts["resolution"] + parts["uncertainty"] + parts["within"]
    assert parts["score"] == pytest.approx(total)
    assert parts["score"] == pytest.approx(brier_score_loss(won, win))
    assert parts["reliability"] >= 0
    assert parts["resolution"] >= 0


def test_log_loss_is_scikit_learns():
    rng = np.random.default_rng(0)
    won, win = rng.integers(0, 2, 300).astype(float), rng.random(300)
    assert log_losses(won, win).mean() == pytest.approx(log_loss(won, win))


def test_calibration_of_honest_predictions():
    rng = np.random.default_rng(1)
    win = rng.uniform(0.2, 0.8, 5000)
    won = (rng.random(5000) < win).astype(float)
    table = calibration_table(won, win, np.arange(5000))
    inside = (table["low"] <= table["predicted"]) & (table["predicted"] <= table["high"])
    assert inside.sum() >= 8
    assert table["n"].sum() == 5000
    skewed = calibration_table(won, np.clip(2 * win - 0.5, 0.01, 0.99), np.arange(5000))
    outside = (skewed["low"] > skewed["predicted"]) | (skewed["predicted"] > skewed["high"])
    assert outside.sum() >= 5


def test_clusters_widen_the_error_of_a_mean():
    rng = np.random.default_rng(2)
    by_cluster = rng.normal(size=100)
    values = np.repeat(by_cluster, 5)
    clusters = np.repeat(np.arange(100), 5)
    _, alone = clustered_mean(values, np.arange(500))
    _, together = clustered_mean(values, clusters)
    assert together == pytest.approx(by_cluster.std() / 10, rel=0.02)
    assert together > 2 * alone


def test_held_out_checks_of_the_model(model, shots):
    found = model.diagnostics(folds=3)
    assert list(found.held_out.index) == ["model", "no gap", "no player"]
    assert found.held_out.loc["model", "worse_by"] == 0.0
    # the gap matters in the simulation, and a model without it must predict worse
    assert found.held_out.loc["no gap", "worse_by"] > 0
    assert found.calibration["n"].sum() == found.n_shots
    assert found.brier["score"] < 0.26


def test_one_match_cannot_be_held_out(shots):
    one = shots[shots["match"] == shots["match"].iloc[0]]
    model = sw.TightnessModel(outcome="rally").fit(one)
    with pytest.raises(DataError, match="single match"):
        model.diagnostics()
