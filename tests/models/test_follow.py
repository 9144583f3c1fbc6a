"""What following the rule would bring."""

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.models.follow import _doubly_robust, _points
from sidewall.simulate import World, draw_players, round_robin, rule_gains, simulate_shots

pytestmark = pytest.mark.slow

NAMES = ["Alder", "Birch", "Cedar", "Elm"]


@pytest.fixture(scope="module")
def club():
    rng = np.random.default_rng(11)
    players = draw_players(NAMES, rng)
    # one player attacks much too early
    players[0] = players[0].__class__(
        **{**vars(players[0]), "attack_from_m": np.full((2, 2), 0.15)}
    )
    schedule = round_robin(4, 6)
    return players, schedule, simulate_shots(players, schedule, rng, World())


@pytest.fixture(scope="module")
def model(club):
    return sw.TightnessModel(draws=100).fit(club[2])


def test_one_who_attacks_too_early_would_gain_as_much_as_the_exact_chain_says(club, model):
    players, schedule, _ = club
    found = model.follow("Alder", folds=2).set_index(["side", "family"])
    total = found.loc[("all", "all")]
    rules = model.rule().pivot_table("rule_m", "player", ["side", "family"], sort=False)
    from_m = rules.reindex(NAMES).to_numpy().reshape(4, 2, 2)
    exact = rule_gains(players, schedule, from_m).set_index("player")
    true = exact.loc["Alder", "first_order_a_game"]
    assert true > 0.3
    error = (total["points_per_game_high"] - total["points_per_game_low"]) / (2 * 1.96)
    assert abs(total["points_per_game"] - true) < 3 * error
    assert total["points_per_game_low"] > 0
    assert found["n_shots"].iloc[:-1].sum() == total["n_shots"]
    assert 0.2 < total["changed"] < 1.0


def test_the_parts_of_a_ball(model):
    """Where rule and player agree the result mends the curve, weighted; else the curve stands."""
    used = model.used_[model.used_["player"] == "Birch"].iloc[:60].reset_index(drop=True)
    chance = np.full(60, 0.4)
    gain, differs = _doubly_robust(model, used, np.full(60, 0.5), chance)
    attack, reset = np.empty(60), np.empty(60)
    for rows, a, r in model.posterior_.of_shots(used):
        attack[rows], reset[rows] = a.mean(axis=0), r.mean(axis=0)
    for k, shot in enumerate(used.itertuples()):
        rule = attack[k] if shot.gap_m >= 0.5 else reset[k]
        same = (shot.choice == "attack") == (shot.gap_m >= 0.5)
        weight = 1 / (0.4 if shot.choice == "attack" else 0.6) if same else 0.0
        assert gain[k] == pytest.approx(rule + weight * (shot.outcome - rule) - shot.outcome)
        assert differs[k] == (not same)


def test_the_error_counts_rallies():
    rng = np.random.default_rng(2)
    each = rng.normal(0.02, 0.3, 200)
    use = np.ones(800, dtype=bool)
    rally = np.repeat(np.arange(200), 4)
    alike = _points(np.repeat(each, 4), use, rally, 10, 0.95)
    alone = _points(np.repeat(each, 4), use, np.arange(800), 10, 0.95)
    widths = [row["points_per_game_high"] - row["points_per_game_low"] for row in (alike, alone)]
    assert widths[0] == pytest.approx(2 * widths[1], rel=0.02)
    assert alike["points_per_game"] == pytest.approx(each.sum() * 4 / 10)
    few = _points(each[:20], np.ones(20, dtype=bool), np.arange(20), 10, 0.95)
    assert np.isnan(few["points_per_game"])


def test_one_match_cannot_be_tried_on_itself(club):
    shots = club[2]
    one = shots[shots["match"].isin(pd.unique(shots["match"])[:2])]
    model = sw.TightnessModel(draws=50, strokes=False, situation=()).fit(one)
    with pytest.raises(DataError, match="tried on itself"):
        model.follow(model.players_[0])
    with pytest.raises(DataError, match="Yew"):
        model.follow("Yew")
