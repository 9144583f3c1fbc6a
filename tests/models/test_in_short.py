"""Thresholds of who is charted in full, with the opponent in short."""

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.rallies.in_short import FullBalls


def fit(table, own):
    return sw.TightnessModel(draws=100, situation=()).fit(table.assign(own=own), keep="own")


def test_short_shots_are_left_out_of_the_curves_and_counted(shots):
    first = shots.groupby(shots["match"].astype(str))["player"].transform("first").astype(str)
    other = (shots["player"].astype(str) != first).to_numpy()
    short = sw.shot_features(simulate.chart_in_short(shots, other))
    model = sw.TightnessModel(draws=100, situation=()).fit(short)
    decided = short["won"].notna() & short["gap_class"].notna()
    assert model.left_out_["charted in short: no side, or the gap in words"] == decided.sum() > 0
    assert len(model.used_) + model.left_out_.sum() == len(short)
    assert model.used_["gap_class"].isna().all()


@pytest.mark.slow
def test_thresholds_are_nearer_to_the_full_log_than_with_bare_midpoints(monkeypatch):
    key = ["ladder", "player", "side", "family"]
    found = []
    for ladder in (41, 42, 43):
        rng = np.random.default_rng(ladder)
        players = simulate.draw_players(["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"], rng)
        raw = simulate.simulate_shots(players, simulate.round_robin(6, 6), rng=rng)
        first = raw.groupby(raw["match"].astype(str))["player"].transform("first").astype(str)
        own = (raw["player"].astype(str) == first).to_numpy()
        short = simulate.chart_in_short(raw, ~own)
        middle = short["gap_class"].map({"tight": 0.1, "middling": 0.35, "loose": 1.85})
        bare = short.drop(columns="gap_class")
        bare["gap_m"] = short["gap_m"].fillna(middle.astype(float))
        models = {}
        for name, table in (("full", raw), ("short", short), ("bare", bare)):
            with monkeypatch.context() as patch:
                if name == "bare":  # every ball for what its row says
                    patch.setattr(FullBalls, "stand_in", lambda _self, _table, phi: phi)
                models[name] = fit(sw.shot_features(table), own)
        answers = {name: model.thresholds() for name, model in models.items()}
        table = answers["full"][["player", "side", "family"]].assign(ladder=ladder)
        for name, one in answers.items():
            table[name] = 100 * one["threshold_m"]
        found.append(table)
    found = pd.concat(found).set_index(key).dropna()
    assert len(found) >= 20
    short, bare = (found[name] - found["full"] for name in ("short", "bare"))
    assert np.sqrt((short**2).mean()) < np.sqrt((bare**2).mean())
    # without a lean: nothing beyond its own error
    assert abs(short.mean()) < 3 * short.std() / np.sqrt(len(short))
    assert short.abs().median() < 3.0  # cm; the intervals are half a metre wide
