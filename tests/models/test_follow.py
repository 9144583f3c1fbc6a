"""What following the rule would bring."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtri
from sklearn.linear_model import LogisticRegression

import sidewall as sw
from sidewall.errors import DataError
from sidewall.models.follow import _chance_to_attack, _doubly_robust, _points
from sidewall.rallies.value import spline_bends
from sidewall.simulate import World, draw_players, round_robin, rule_gains, simulate_shots

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


@pytest.mark.slow
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
    gain, differs, off = _doubly_robust(model, used, np.full(60, 0.5), chance)
    attack, reset = np.empty((100, 60)), np.empty((100, 60))
    for rows, a, r in model.posterior_.of_shots(used):
        attack[:, rows], reset[:, rows] = a, r
    for k, shot in enumerate(used.itertuples()):
        drawn = (attack if shot.gap_m >= 0.5 else reset)[:, k]
        rule = drawn.mean()
        same = (shot.choice == "attack") == (shot.gap_m >= 0.5)
        weight = 1 / (0.4 if shot.choice == "attack" else 0.6) if same else 0.0
        assert gain[k] == pytest.approx(rule + weight * (shot.outcome - rule) - shot.outcome)
        assert differs[k] == (not same)
        # what the part would be with each draw's curve in place of the mean
        each = drawn + weight * (shot.outcome - drawn) - shot.outcome
        assert off[:, k] == pytest.approx(each - gain[k])


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


def test_the_error_of_curves_that_nothing_mends_is_in_the_interval():
    """Two parts of the matches, whose curves err alike: 1 and 2 rallies make 3, not root 5."""
    rng = np.random.default_rng(4)
    use, rally = np.ones(400, dtype=bool), np.arange(400)
    gain = np.tile([0.01, -0.01], 200)
    draws = rng.standard_normal((3, 1000))
    draws = (draws - draws.mean(axis=1)[:, None]) / draws.std(axis=1)[:, None]
    moved = [
        (np.arange(at, at + 200), np.repeat(d[:, None] * size / 200, 200, axis=1))
        for at, size, d in ((0, 1.0, draws[0]), (200, 2.0, draws[1]))
    ]
    plain, wide = (_points(gain, use, rally, 10, 0.95, m) for m in ((), moved))
    error = [
        (row["points_per_game_high"] - row["points_per_game_low"]) / (2 * 1.959964)
        for row in (plain, wide)
    ]
    assert error[1] ** 2 == pytest.approx(error[0] ** 2 + (3.0 / 10) ** 2, rel=1e-6)
    assert plain["points_per_game"] == wide["points_per_game"]


@pytest.mark.slow
def test_a_cell_with_few_own_attacks_or_resets_is_not_told(club, model):
    """Of Birch's attacks on one side four are kept, and that side is left out of all."""
    shots = model.used_
    mine = (shots["player"] == "Birch") & (shots["side"] == "forehand")
    few = np.flatnonzero((mine & (shots["choice"] == "attack")).to_numpy())[4:]
    keep = np.ones(len(club[2]), dtype=bool)
    keep[shots["row"].to_numpy()[few]] = False
    found = sw.TightnessModel(draws=50).fit(club[2], keep).follow("Birch", folds=2)
    of = found.set_index(["side", "family"])
    assert of.loc["forehand", "points_per_game"].isna().all()
    assert (of.loc["forehand", "n_shots"] == 0).all()
    assert of.loc[("all", "all"), "n_shots"] == of.loc["backhand", "n_shots"].sum() > 0
    assert np.isfinite(of.loc[("all", "all"), "points_per_game"])


@pytest.mark.slow
def test_one_match_cannot_be_tried_on_itself(club):
    shots = club[2]
    one = shots[shots["match"].isin(pd.unique(shots["match"])[:2])]
    model = sw.TightnessModel(draws=50, strokes=False, situation=()).fit(one)
    with pytest.raises(DataError, match="tried on itself"):
        model.follow(model.players_[0])
    with pytest.raises(DataError, match="Yew"):
        model.follow("Yew")


def test_the_chance_to_attack_is_how_often_such_balls_were_attacked(model):
    """In thirds of the own balls by gap: a logistic fit with an intercept meets the total."""
    own = model.used_[model.used_["player"] == "Birch"]
    chance = _chance_to_attack(model.used_, model, "Birch")
    attacked = (own["choice"] == "attack").to_numpy()
    third = pd.qcut(own["gap_m"], 3, labels=False).to_numpy()
    assert 0.1 < attacked.mean() < 0.9
    for k in range(3):
        some = third == k
        error = np.sqrt((chance[some] * (1 - chance[some])).sum()) / some.sum()
        assert abs(chance[some].mean() - attacked[some].mean()) < 3 * error
    assert chance[third == 2].mean() > chance[third == 0].mean()
    for choice in ("attack", "reset"):
        always = model.used_.assign(choice=choice)
        assert (_chance_to_attack(always, model, "Birch") == float(choice == "attack")).all()


@pytest.mark.parametrize("rallies", [29, 30, 41])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_points_a_game_by_plain_loops(rallies, level):
    """Some shots not used, rallies out of order, two parts whose curves move; thirty are enough."""
    rng = np.random.default_rng(rallies)
    rally = np.concatenate([np.arange(rallies), rng.integers(0, rallies, 60), [500] * 9])
    rally = 3 * rally[rng.permutation(len(rally))] + 2
    n = len(rally)
    use = rally != 1502
    gain = rng.normal(0.02, 0.2, n)
    parts = [np.flatnonzero(rally % 2 == k) for k in (0, 1)]
    moved = [(rows, rng.standard_normal((5, len(rows)))) for rows in parts]
    found = _points(gain, use, rally, 7, level, moved)
    total = sum(gain[use])
    mean = total / use.sum()
    sums = {}
    for k in np.flatnonzero(use):
        sums[rally[k]] = sums.get(rally[k], 0.0) + gain[k] - mean
    squares = rallies / (rallies - 1) * sum(s * s for s in sums.values())
    curves = 0.0
    for rows, off in moved:
        curves += np.std([sum(one[j] for j, k in enumerate(rows) if use[k]) for one in off])
    reach = ndtri((1 + level) / 2) * np.sqrt(squares + curves**2) / 7
    expected = {"points_per_game": total / 7, "points_per_game_low": total / 7 - reach}
    expected |= {"points_per_game_high": total / 7 + reach}
    if rallies < 30:
        expected = dict.fromkeys(expected, np.nan)
    expected |= {"n_shots": use.sum(), "n_rallies": rallies}
    assert found == pytest.approx(expected, nan_ok=True)
    assert list(found) == list(expected)
    nothing = _points(gain, np.zeros(n, dtype=bool), rally, 7, level)
    assert np.isnan(nothing["points_per_game"])
    assert (nothing["n_shots"], nothing["n_rallies"]) == (0, 0)


def plain_chance(used, player, levels):
    """Chance to attack with each of the player's balls, by the columns that are told of them."""
    rows = []
    own = used[used["player"] == player]
    for shot, bends in zip(own.to_dict("records"), spline_bends(own["gap_m"]), strict=True):
        h = np.log1p(shot["gap_m"] / 0.25) - np.log1p(0.4 / 0.25)
        side = {"forehand": -0.5, "backhand": 0.5}[shot["side"]]
        volley = {"ground": -0.5, "volley": 0.5}.get(shot["family"], 0.0)
        row = [h, *bends, side, volley, side * h, volley * h]
        rows.append(row + [float(shot[c] == w) for c, words in levels.items() for w in words])
    attack = (own["choice"] == "attack").to_numpy()
    return LogisticRegression(C=10.0, max_iter=1000).fit(rows, attack).predict_proba(rows)[:, 1]


def test_the_whole_table_of_a_hard_log(hard_log):
    """Each match by the rule and the curves of the others; a cell with few attacks is left out."""
    table = hard_log(251, 240)
    few = (table["player"] == "Cedar") & (table["side"] == "forehand")
    few &= table["choice"].eq("attack") & table["match"].eq("m1")
    few = few & (few.cumsum() > 2)
    table = table.assign(choice=table["choice"].mask(few)).drop(columns="contact")
    m10 = (table["player"] == "Cedar") & (table["side"] == "forehand") & table["match"].eq("m10")
    table["choice"] = table["choice"].mask(m10 & table["choice"].eq("attack"))
    table = table.drop(columns=["family", "rally_id"])
    model = sw.TightnessModel(draws=50, situation=("balance",), strokes=False)
    model.fit(table, "shot != 5")
    found = model.follow("Cedar", 0.8)
    used, own = model.used_, model.used_[model.used_["player"] == "Cedar"].reset_index(drop=True)
    chance, parts = plain_chance(used, "Cedar", model.situation_), []
    gain, changed = np.full(len(own), np.nan), np.full(len(own), np.nan)
    whole = model.parts.table
    for match in ("m1", "m10"):  # two, and so two parts
        rest = (whole["match"] != match).to_numpy()
        again = model.again(whole[rest], (whole["shot"] != 5).to_numpy()[rest])
        rules = again.rule(player="Cedar").set_index("side")["rule_m"]
        mine = np.flatnonzero(own["match"] == match)
        off = np.full((200, len(mine)), np.nan)
        both = np.full((2, 200, len(mine)), np.nan)
        for rows, attack, reset in again.posterior_.of_shots(own.iloc[mine]):
            both[0][:, rows], both[1][:, rows] = attack, reset
        for j, k in enumerate(mine):
            shot = own.iloc[k]
            should = shot["gap_m"] >= rules[shot["side"]]
            attacked = shot["choice"] == "attack"
            drawn = both[0 if should else 1][:, j]
            p = max(chance[k] if attacked else 1 - chance[k], 0.05)
            weight = 1 / p if attacked == should else 0.0
            gain[k] = drawn.mean() + weight * (shot["outcome"] - drawn.mean()) - shot["outcome"]
            changed[k] = attacked != should
            off[:, j] = (1 - weight) * (drawn - drawn.mean())
        parts.append((mine, off))
    games = len(own[["match", "game"]].drop_duplicates())
    rows = []
    enough = own["side"] == "backhand"
    assert 5 not in own["shot"].to_list()
    assert (own["side"].eq("forehand") & own["choice"].eq("attack")).sum() < 5
    for side, family in (("forehand", "all strokes"), ("backhand", "all strokes"), ("all", "all")):
        use = enough & own["side"].isin([side] if side != "all" else ["forehand", "backhand"])
        use = use.to_numpy()
        row = {"player": "Cedar", "side": side, "family": family}
        row |= _points(gain, use, own["rally_id"].to_numpy(), games, 0.8, parts)
        rows.append(row | {"changed": changed[use].mean() if use.any() else np.nan})
    expected = pd.DataFrame(rows).assign(n_games=games, n_matches=2)
    pd.testing.assert_frame_equal(found, expected, rtol=1e-5)
    assert found["points_per_game"].notna().tolist() == [False, True, True]
