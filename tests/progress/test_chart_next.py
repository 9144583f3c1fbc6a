"""What to chart next: the value of information, by ball and by opponent."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError
from sidewall.progress import next_balls, next_matches
from sidewall.progress.chart_next import information_value

GAPS = np.array([0.0, 1.0])
MET = np.linspace(0.0, 1.0, 20)


@pytest.fixture(scope="module")
def shots():
    """Cedar meets Alder six times; Birch twice, and volleys there alone."""
    players = simulate.draw_players(["Alder", "Birch", "Cedar"], np.random.default_rng(3))
    found = simulate.simulate_shots(players, simulate.round_robin(3, 18), rng=5, games_to_win=2)
    pairs = found.groupby("match", observed=True)["player"].agg(lambda p: "-".join(sorted(set(p))))
    birch = pairs[pairs == "Birch-Cedar"].index
    found = found[~found["match"].isin(birch[2:])].copy()
    cedar, after = found["player"] == "Cedar", found["stroke"] != "serve"
    ground = cedar & after & ~found["match"].isin(birch)
    found.loc[ground, "contact"] = "after_bounce"
    found.loc[cedar & after & ~ground, "contact"] = "volley"
    return found


@pytest.fixture(scope="module")
def model(shots):
    return sw.TightnessModel(draws=200).fit(shots)


@pytest.mark.parametrize("mean", [0.0, 0.03, -0.06])
def test_what_is_saved_is_the_normals_expected_improvement(mean):
    drawn = np.random.default_rng(5).normal(mean, 0.05, (40_000, 1)).repeat(2, axis=1)
    known = 0.05 * np.sqrt(0.5)  # as much again: half the variance will be known
    z = abs(mean) / known
    expected = known * (norm.pdf(z) - z * norm.sf(z))
    saves = information_value(drawn, GAPS, MET, 4, 4)
    assert saves.mean() == pytest.approx(expected, abs=5e-4)
    # as today where the sign stays, the later mean's size where it turns
    turns = norm.sf(z)
    assert (saves > 0).mean() == pytest.approx(turns, abs=4 * np.sqrt(turns / 40_000))
    assert (saves >= 0).all()


def test_more_is_worth_more_and_what_is_sure_is_worth_nothing():
    open_ = np.random.default_rng(5).normal(0.0, 0.05, (4000, 2))
    values = [information_value(open_, GAPS, MET, 4, more).mean() for more in (0, 1, 4, 16)]
    assert values[0] == pytest.approx(0.0, abs=1e-9)
    assert (np.diff(values) > 0).all()
    assert information_value(open_ + 0.4, GAPS, MET, 4, 4).mean() == pytest.approx(0.0, abs=1e-6)


def test_balls_are_in_order_and_told_apart(model):
    table = next_balls(model, "Cedar")
    assert table["saves_per_game"].is_monotonic_decreasing
    assert (table["saves_low"] >= 0).all()
    assert (table["saves_low"] <= table["saves"]).all()
    assert (table["saves"] < table["saves_high"]).all()
    assert set(table["side"]) == {"forehand", "backhand"}
    counts = model.cell_counts().loc["Cedar"]
    for row in table.itertuples():
        own = counts.loc[(row.side, row.family)]
        assert (row.n_attack, row.n_reset) == (own["n_attack"], own["n_reset"])
        games = model.games_[model.players_.index("Cedar")]
        per_game = row.saves / 100 * (row.n_attack + row.n_reset) / games
        assert row.saves_per_game == pytest.approx(per_game)
    more = next_balls(model, "Cedar", matches=3)
    assert more["saves"].sum() > table["saves"].sum()
    assert {"drop", "kill"} <= set(next_balls(model, "Cedar", "stroke")["stroke"])


def test_each_opponent_brings_balls_of_a_kind(model):
    """All volleys came from Birch, all ground strokes from Alder."""
    table = next_matches(model, "Cedar").set_index("opponent")
    assert table["n_matches"].to_dict() == {"Birch": 2, "Alder": 6}
    assert table["family"].to_dict() == {"Birch": "volley", "Alder": "ground"}
    assert table["saves_per_game"].is_monotonic_decreasing
    own = model.used_.query("player == 'Cedar'")
    assert table["n_shots"].sum() == len(own)
    birch = table.loc["Birch"]
    volleys = own[(own["family"] == "volley") & (own["side"] == birch["side"])]
    # two matches' balls and one mean match's, over three
    expected = (len(volleys) + len(volleys) / 8) / 3
    assert birch["balls"] == pytest.approx(expected)


def test_with_one_opponent_a_match_saves_what_its_balls_save():
    players = simulate.draw_players(["Alder", "Cedar"], np.random.default_rng(4))
    shots = simulate.simulate_shots(players, simulate.round_robin(2, 5), rng=6, games_to_win=2)
    model = sw.TightnessModel(draws=50, strokes=False, situation=()).fit(shots)
    found = next_matches(model, "Cedar")
    assert found["opponent"].tolist() == ["Alder"]
    balls = next_balls(model, "Cedar", matches=1)
    assert found["saves_per_game"][0] == pytest.approx(balls["saves_per_game"].sum())


def test_a_stranger_is_refused(model):
    for ask in (next_balls, next_matches):
        with pytest.raises(DataError, match="Yew"):
            ask(model, "Yew")


def test_the_plan_says_what_to_chart_next(shots):
    found = sw.plan(shots, "Cedar", matches=[1], simulations=2)
    whole = sw.TightnessModel(seed=0).fit(shots)
    pd.testing.assert_frame_equal(found.balls[0], next_balls(whole, "Cedar"))
    assert [t.columns[2] for t in found.balls[1:]] == ["stroke", *whole.situation_]
    pd.testing.assert_frame_equal(found.opponents, next_matches(whole, "Cedar"))
