import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.decisions import DECISIONS, ChoiceWorth, decision_table, decisions, decisions_by
from sidewall.errors import DataError, NotFittedError
from sidewall.simulate import true_curves


@pytest.fixture(scope="module")
def table(shots, model):
    return decisions(shots, model)


def test_every_shot_with_choice_and_gap_is_judged_once(shots, table):
    known = shots["choice"].notna() & shots["gap_m"].notna() & shots["family"].notna()
    assert len(table) == known.sum()
    assert len(table) + sum(table.attrs["left_out"].values()) == len(shots)
    assert not table.duplicated(["match", "game", "rally", "shot"]).any()
    assert table["decision"].notna().all()


def test_the_decision_follows_from_gap_choice_and_the_own_threshold(table, model):
    answers = model.thresholds().set_index(["player", "side", "family"])
    rng = np.random.default_rng(3)
    for one in table.iloc[rng.choice(len(table), 400, replace=False)].to_dict("records"):
        answer = answers.loc[(one["player"], one["side"], one["family"])]
        tight = answer["status"] == "reset at any gap" or one["gap_m"] < answer["low_m"]
        loose = answer["status"] == "attack at any gap" or one["gap_m"] > answer["high_m"]
        attacked = one["choice"] == "attack"
        if tight:
            expected = "forced" if attacked else "reset tight"
        elif loose:
            expected = "attacked loose" if attacked else "passed up"
        else:
            known = answer["status"] == "crosses"
            expected = "too close to call" if known else "not known yet"
        assert one["decision"] == expected


def test_points_are_the_difference_of_the_models_own_curves(table, model):
    told = table[table["points"].notna()].iloc[::50]
    other = told.assign(choice=np.where(told["choice"] == "attack", "reset", "attack"))
    # predict_proba takes the mode of the coefficients, which the averages nearly are
    by_model = model.predict_proba(told)[:, 1] - model.predict_proba(other)[:, 1]
    gain = model.curves(gaps_m=[0.4]).set_index(["player", "side", "family"])
    assert np.corrcoef(by_model, told["points"])[0, 1] > 0.99
    probe = told.assign(gap_m=0.4, choice="attack")
    worth = ChoiceWorth(model, probe)
    at = pd.MultiIndex.from_frame(probe[["player", "side", "family"]].astype(str))
    assert worth.difference() == pytest.approx(gain["gain"].reindex(at).to_numpy(), abs=1e-10)
    half = 1.959964 * worth.errors()
    low = gain["gain_low"].reindex(at).to_numpy()
    assert worth.difference() - half == pytest.approx(low, abs=1e-6)


def test_sure_decisions_have_the_sign_that_their_names_say(table):
    mean = table.groupby("decision", observed=True)["points"].mean()
    assert mean["attacked loose"] > 0
    assert mean["reset tight"] > 0
    assert mean["forced"] < 0
    assert mean["passed up"] < 0
    assert table.loc[table["decision"] == "not known yet", "points"].isna().all()


def test_errors_of_means_agree_with_draws(table, model):
    told = table["points"].notna().to_numpy()
    player = pd.factorize(table["player"])[0]
    group = np.where(told, player, -1)
    worth = ChoiceWorth(model, table)
    rows = np.flatnonzero(told & (player == 0))
    drawn = worth.drawn(rows, worth.coefficient_draws(2000, np.random.default_rng(1)))
    by_draws = drawn.mean(axis=1)
    # the error of a standard deviation from 2000 draws is 1.6%; the delta method adds a little
    assert worth.mean_errors(group, 6)[0] == pytest.approx(by_draws.std(), rel=0.08)
    assert by_draws.mean() == pytest.approx(table["points"].to_numpy()[rows].mean(), abs=0.01)


def test_the_table_adds_up(table, model):
    by = decision_table(table, model)
    assert by["n"].sum() == len(table)
    groups = by.groupby(["player", "side", "family"], observed=True)
    assert groups["share"].sum().to_numpy() == pytest.approx(1.0)
    assert (groups["n"].sum() == groups["of"].first()).all()
    assert by["points"].sum() == pytest.approx(table["points"].sum())
    assert ((by["share_low"] <= by["share"]) & (by["share"] <= by["share_high"])).all()
    some = by[by["points_per_100"].notna()]
    for name in ("points", "points_per_100"):
        assert (some[f"{name}_low"] < some[name]).all()
        assert (some[name] < some[f"{name}_high"]).all()
    assert list(by["decision"].cat.categories) == list(DECISIONS)


def test_each_interval_is_that_of_the_column_it_is_named_after(table, model):
    """The sum's by draws of the curves; that of 100 such shots is the sum's, shot for shot."""
    by = decision_table(table, model, "player")
    row = by[(by["player"] == "Rowan") & (by["decision"] == "forced")].iloc[0]
    mine = np.flatnonzero((table["player"] == "Rowan") & (table["decision"] == "forced"))
    worth = ChoiceWorth(model, table)
    drawn = worth.drawn(mine, worth.coefficient_draws(2000, np.random.default_rng(2))).sum(axis=1)
    assert row["points"] == pytest.approx(table["points"].to_numpy()[mine].sum())
    half = (row["points_high"] - row["points_low"]) / 2.0
    assert half == pytest.approx(1.959964 * drawn.std(), rel=0.08)
    assert (row["points_low"] + row["points_high"]) / 2.0 == pytest.approx(row["points"])
    for end in ("", "_low", "_high"):
        per_100 = 100.0 * row[f"points{end}"] / row["n"]
        assert row[f"points_per_100{end}"] == pytest.approx(per_100)
    assert not {"low", "high"} & set(by)


def test_points_hold_the_exact_truth_as_often_as_they_say(table, model, players, schedule):
    exact = true_curves(players, schedule, gaps_m=np.arange(321) / 100)
    exact["cm"] = np.rint(100 * exact["gap_m"]).astype(int)
    cell = ["player", "side", "family"]
    exact = exact.pivot_table("win_probability", [*cell, "cm"], "choice")
    balls = table[cell].astype(str).assign(cm=np.rint(100 * table["gap_m"]).astype(int))
    attack, reset = exact.reindex(pd.MultiIndex.from_frame(balls)).to_numpy().T
    sign = np.where(table["choice"] == "attack", 1.0, -1.0)
    true = pd.Series(100 * sign * (attack - reset)).groupby(
        [table["player"].astype(str), table["decision"].astype(str)]
    )
    by = decision_table(table, model, "player")
    by = by[by["points_per_100"].notna() & (by["n"] >= 5)]
    at = pd.MultiIndex.from_frame(by[["player", "decision"]].astype(str))
    true = true.mean().reindex(at).to_numpy()
    low, high = (by[f"points_per_100_{end}"].to_numpy() for end in ("low", "high"))
    inside = (low <= true) & (true <= high)
    # about 28 intervals that hang together; the study says how often in the long run
    assert inside.mean() >= 0.75


def test_by_zone_and_by_score(table, model):
    zones = decisions_by(table, model, "zone", "Rowan")
    own = table[table["player"] == "Rowan"]
    assert zones["n"].sum() == len(own)
    assert {"depth", "lane"} <= set(zones.columns)
    scores = decisions_by(table, model, "score", late_from=8)
    ahead = scores[(scores["score"] == "ahead") & (scores["stage"] == "late")]
    late = np.maximum(table["own_points"], table["opponent_points"]) >= 8
    assert ahead["n"].sum() == (late & (table["own_points"] > table["opponent_points"])).sum()
    assert decisions_by(table, model, "balance")["n"].sum() == len(table)


def test_a_situation_has_thresholds_of_its_own(shots):
    model = sw.TightnessModel(situation=["balance"], draws=200).fit(shots)
    table = decisions(shots, model)
    cell = table[(table["side"] == "backhand") & (table["family"] == "ground")]
    for balance in ("set", "stretched"):
        answers = model.thresholds(situation={"balance": balance})
        answers = answers.set_index(["player", "side", "family"])["low_m"]
        some = cell[cell["balance"] == balance]
        at = pd.MultiIndex.from_frame(some[["player", "side", "family"]].astype(str))
        assert some["low_m"].to_numpy() == pytest.approx(answers.reindex(at), nan_ok=True)


def test_without_contact_all_strokes_share_an_answer(shots):
    bare = sw.shot_features(shots.drop(columns=["contact"]))
    model = sw.TightnessModel(draws=200).fit(bare)
    table = decisions(bare, model)
    assert set(table["family"]) == {"all strokes"}
    assert (table["decision"] != "not known yet").mean() > 0.5


def test_an_unknown_player_is_not_known_yet(shots, model):
    stranger = shots.assign(
        player=shots["player"].cat.rename_categories({"Rowan": "Yew"}),
        opponent=shots["opponent"].cat.rename_categories({"Rowan": "Yew"}),
        rally_won_by=shots["rally_won_by"].cat.rename_categories({"Rowan": "Yew"}),
    )
    table = decisions(stranger, model)
    assert (table.loc[table["player"] == "Yew", "decision"] == "not known yet").all()


def test_errors_say_the_mend(shots, model, table):
    with pytest.raises(NotFittedError, match="fit"):
        decisions(shots, sw.TightnessModel(draws=200))
    with pytest.raises(DataError, match="chart the gap and the choice"):
        decisions(shots.assign(choice=pd.Series([None] * len(shots), dtype=object)), model)
    with pytest.raises(DataError, match="no column 'moon'"):
        decision_table(table, model, "moon")
    with pytest.raises(DataError, match="no shot is left"):
        decision_table(table.head(0), model)
    with pytest.raises(DataError, match="those who have"):
        decisions_by(table, model, "zone", "Yew")
    with pytest.raises(DataError, match="chart x and y"):
        decisions_by(table.assign(depth=None, lane=None), model)


def test_what_the_log_tells_of_the_place_does_alone(table, model):
    by_lane = decisions_by(table.drop(columns="depth"), model, player="Rowan")
    assert "depth" not in by_lane
    assert by_lane["lane"].notna().all()
    assert by_lane["n"].sum() == (table["player"] == "Rowan").sum()


def test_a_score_that_is_not_known_is_neither_ahead_nor_behind(table, model):
    unknown = table["rally"] % 3 == 0
    names = ["own_points", "opponent_points"]
    blank = table.assign(**table[names].astype(float).mask(unknown))
    by = decisions_by(blank, model, "score", "Rowan")
    known = by[by["score"].notna()]
    mine = table["player"] == "Rowan"
    assert known["n"].sum() == (mine & ~unknown).sum()
    assert (known["score"].isna() == known["stage"].isna()).all()


def test_shots_are_judged_first(shots, model, table):
    pd.testing.assert_frame_equal(decision_table(shots, model), decision_table(table, model))
    pd.testing.assert_frame_equal(
        decisions_by(shots, model, "score"), decisions_by(table, model, "score")
    )


def test_kept_decisions_alone_are_summed_up(shots, model, table):
    kept = decision_table(shots, model, "player", keep="balance == 'set'")
    set_ = decision_table(table[(table["balance"] == "set").to_numpy()], model, "player")
    pd.testing.assert_frame_equal(kept, set_)
    assert kept["n"].sum() < len(table)
