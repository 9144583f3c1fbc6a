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


@pytest.mark.parametrize("seed", range(3))
def test_what_is_saved_ball_by_ball_and_draw_by_draw(seed):
    """The later rule is right for its draw; between two gaps of the grid, in proportion."""
    rng = np.random.default_rng(seed)
    gaps = np.cumsum(rng.uniform(0.05, 0.3, 6))
    met = np.concatenate([rng.uniform(gaps[0] - 0.1, gaps[-1] + 0.1, 15), gaps[[0, 2, -1]]])
    gain = rng.normal(0.0, 0.05, (30, 6))
    found = information_value(gain, gaps, met, 3, 5)
    for draw in range(30):
        total = 0.0
        for ball in met:
            saved = []
            for k in range(6):
                now = gain[:, k].mean()
                later = now + np.sqrt(5 / 8) * (gain[draw, k] - now)
                saved.append(max(later, 0.0) - later * (now > 0))
            total += np.interp(ball, gaps, saved)
        assert found[draw] == pytest.approx(total / len(met))
    assert information_value(gain, gaps, met[:0], 3, 5) == pytest.approx(0.0)


def test_what_each_opponent_brings_match_by_match(model):
    """The whole table: balls drawn toward the player's mean match, summed up cell by cell."""
    table, own = next_matches(model, "Cedar"), model.used_.query("player == 'Cedar'")
    i, posterior = model.players_.index("Cedar"), model.posterior_
    opponents = sorted(set(own["opponent"].astype(str)))
    matches = {who: own.loc[own["opponent"] == who, "match"].nunique() for who in opponents}
    rows = []
    for who in opponents:
        each, expected = [], []
        for j, (side, family) in enumerate(model.cells_):
            balls = own[(own["side"] == side) & (own["family"] == family)]
            theirs = (balls["opponent"] == who).sum()
            mean = len(balls) / sum(matches.values())
            expected.append((theirs + mean) / (matches[who] + 1))
            met, gaps = posterior.gaps_met(i, j), posterior.grids[j]
            gain = posterior.gain(i, j, gaps)
            assert len(met) == len(balls)
            value = information_value(gain, gaps, met, len(met), expected[-1])
            each.append(value * len(met) / model.games_[i])
        best = int(np.argmax([one.mean() for one in each]))
        total = np.sum(each, axis=0)
        rows.append({
            "opponent": who, "saves_per_game": total.mean(),
            "saves_per_game_low": np.quantile(total, 0.025),
            "saves_per_game_high": np.quantile(total, 0.975),
            "side": model.cells_[best][0], "family": model.cells_[best][1],
            "balls": expected[best], "n_matches": matches[who],
            "n_shots": (own["opponent"] == who).sum(),
        })  # fmt: skip
    rows.sort(key=lambda row: -row["saves_per_game"])
    pd.testing.assert_frame_equal(table, pd.DataFrame(rows))


def test_what_each_kind_of_ball_saves(model):
    i, posterior = model.players_.index("Alder"), model.posterior_
    table = next_balls(model, "Alder", matches=2).set_index(["side", "family"])
    games, charted = model.games_[i], model.matches_[i]
    assert charted > 1
    for j, cell in enumerate(model.cells_):
        met, gaps = posterior.gaps_met(i, j), posterior.grids[j]
        saves = 100 * information_value(posterior.gain(i, j, gaps), gaps, met, charted, 2)
        row = table.loc[cell]
        ends = [saves.mean(), *np.quantile(saves, [0.025, 0.975])]
        found = [row[f"saves{end}"] for end in ("", "_low", "_high")]
        assert found == pytest.approx(ends)
        per_game = [row[f"saves_per_game{end}"] for end in ("", "_low", "_high")]
        n = row["n_attack"] + row["n_reset"]
        assert per_game == pytest.approx([end / 100 * n / games for end in ends])
        assert row["n_matches"] == charted


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
