"""Answers against the exact truth of simulated players, and logs in which lets are many.

Alder is good on the forehand and poor on the backhand, Birch the other way round, Cedar and Elm
are average. What is true of them comes from the simulator's own equations, not from the models.
"""

import importlib

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.combinations import Combination, Step, search
from sidewall.decisions import decision_table, decisions
from sidewall.features import zone_features
from sidewall.trust import attack_effect, threshold_tilt

BANDS_M = [0.1, 0.35, 0.8, 1.2]
ATTACK = Combination(
    "length then attack",
    [Step.own(stroke=("drive", "lob")), Step.any_reply(), Step.own(choice="attack")],
)


@pytest.fixture(scope="module")
def world():
    """Players, matches and their shots."""
    good = np.array([[1.0, 1.0], [-1.0, -1.0]])
    players = [
        simulate.SimPlayer("Alder", touch=good, length=0.25 * good, steadiness=0.5 * good),
        simulate.SimPlayer("Birch", touch=-good, length=-0.25 * good, steadiness=-0.5 * good),
        simulate.SimPlayer("Cedar"),
        simulate.SimPlayer("Elm"),
    ]
    schedule = simulate.round_robin(4, 10)
    return players, schedule, simulate.simulate_shots(players, schedule, rng=3)


@pytest.fixture(scope="module")
def shots(world):
    return sw.shot_features(world[2])


@pytest.fixture(scope="module")
def by_value(shots):
    return sw.TightnessModel(outcome="value", draws=200).fit(shots)


@pytest.fixture(scope="module")
def by_rally(shots):
    return sw.TightnessModel(outcome="rally", draws=200).fit(shots)


@pytest.fixture(scope="module")
def study():
    """The study of decisions, which knows the exact chances of given balls."""
    return importlib.import_module("decisions_coverage")


@pytest.fixture(scope="module")
def exact(world):
    """Exact chances of winning of given shots: ``exact(table, side=..., choice=...)``."""
    players, schedule, _ = world
    curves = simulate.true_curves(players, schedule)
    gaps = np.sort(curves["gap_m"].unique())
    by_cell = {
        key: part.sort_values("gap_m")["win_probability"].to_numpy()
        for key, part in curves.groupby(["player", "side", "family", "choice"])
    }

    def chances(table, **other):
        told = table[["player", "side", "family", "choice", "gap_m"]].astype({"gap_m": float})
        told = told.astype({name: str for name in ("player", "side", "family", "choice")})
        told = told.assign(**other)
        found = np.empty(len(told))
        for key, rows in told.groupby(["player", "side", "family", "choice"]).indices.items():
            found[rows] = np.interp(told["gap_m"].to_numpy()[rows], gaps, by_cell[key])
        return found

    return chances


def usable(shots):
    known = shots[["choice", "gap_m", "family", "won"]].notna().all(axis=1)
    return shots[known & (shots["stroke"] != "serve")]


# -- comfort -----------------------------------------------------------------------------


def test_comfort_has_the_true_sign_and_size(shots, by_value, exact):
    """Backhand minus forehand over the player's own balls and choices."""
    table = by_value.comfort()
    own = usable(shots)
    truth = []
    for row in table.itertuples():
        balls = own[(own["player"] == row.player) & (own["family"] == row.family)]
        backhand, forehand = (exact(balls, side=side).mean() for side in ("backhand", "forehand"))
        truth.append(backhand - forehand)
    truth = np.array(truth)
    # eight intervals of 95 in 100 that hang together: five standard errors are never missed
    error = (table["win_difference_high"] - table["win_difference_low"]) / (2 * 1.96)
    assert (np.abs(table["win_difference"] - truth) < 5 * error).all()
    surely = table.set_index(["player", "family"])
    assert (surely.loc["Alder", "win_difference_high"] < 0).all()
    assert (surely.loc["Birch", "win_difference_low"] > 0).all()
    assert np.polyfit(truth, table["win_difference"], 1)[0] == pytest.approx(1.0, abs=0.4)
    assert (table["win_backhand"] - table["win_forehand"]).to_numpy() == pytest.approx(
        table["win_difference"].to_numpy()
    )


def test_comfort_in_thresholds_has_the_true_sign(world, by_value):
    players, schedule, _ = world
    true = simulate.true_thresholds(players, schedule).set_index(["player", "side", "family"])
    true = true["threshold_m"]
    table = by_value.comfort()
    told = table[table["threshold_difference_low_m"].notna()]
    key = told[["player", "family"]].itertuples(index=False)
    truth = np.array([true[p, "backhand", f] - true[p, "forehand", f] for p, f in key])
    error = (told["threshold_difference_high_m"] - told["threshold_difference_low_m"]) / (2 * 1.96)
    assert (np.abs(told["threshold_difference_m"] - truth) < 4 * error).all()
    planted = np.abs(truth) > 0.2
    assert planted.any()
    assert (np.sign(told["threshold_difference_m"]) == np.sign(truth))[planted].all()
    two = told["threshold_backhand_m"] - told["threshold_forehand_m"]
    assert told["threshold_difference_m"].to_numpy() == pytest.approx(two.to_numpy())


# -- attack and reset --------------------------------------------------------------------


@pytest.mark.parametrize("fitted", ["by_value", "by_rally"])
def test_attack_effect_is_attack_minus_reset(shots, exact, fitted, request):
    found = attack_effect(request.getfixturevalue(fitted), bands_m=BANDS_M)
    own = usable(shots)
    tight, _, loose = found.to_dict("records")
    for row in (tight, loose):
        balls = own[own["gap_m"].between(row["from_m"], row["to_m"], inclusive="left")]
        truth = (exact(balls, choice="attack") - exact(balls, choice="reset")).mean()
        for name in ("effect", "model_gain"):
            error = (row[f"{name}_high"] - row[f"{name}_low"]) / (2 * 1.96)
            # balls that nobody would attack, or reset, are left out: the truth moves a little
            assert abs(row[name] - truth) < 4 * error + 0.01
    assert tight["model_gain_high"] < 0 < loose["model_gain_low"]
    if fitted == "by_value":  # by rally the log is too short for it
        assert tight["effect_high"] < 0 < loose["effect_low"]
    # few attack a tight ball and few reset a loose one
    assert tight["n_attack"] < tight["n_reset"]
    assert loose["n_reset"] < loose["n_attack"]


def test_a_looser_threshold_asks_for_easier_attacked_balls(world, by_value):
    """The tilt is the gain at the new threshold, in rallies in 100: exact curves tell both."""
    players, schedule, _ = world
    table = threshold_tilt(by_value, "Birch", moves_m=[-0.2, 0.3])
    table = table[(table["side"] == "backhand") & (table["family"] == "ground")]
    table = table[table["tilt"].notna()]
    for row in table.itertuples():
        curves = simulate.true_curves(players, schedule, gaps_m=[row.target_m])
        win = curves.set_index(["player", "side", "family", "choice"])["win_probability"]
        attack, reset = (win["Birch", "backhand", "ground", c] for c in ("attack", "reset"))
        error = (row.tilt_high - row.tilt_low) / (2 * 1.96)
        assert abs(row.tilt - 100.0 * (attack - reset)) < 4 * error
    looser = table[table["target"].str.endswith("looser")]
    assert len(looser) == 1
    assert (looser["tilt_low"] > 0).all()
    assert looser["words"].str.contains("easier by").all()


def test_decisions_bring_and_cost_what_the_exact_curves_say(world, shots, by_value, study):
    """Every ball in its own situation, as it was judged."""
    players, schedule, _ = world
    table = decisions(shots, by_value)
    told = table[table["points"].notna()]
    exactly = study.exact_points(told, players, schedule)
    assert np.polyfit(exactly, told["points"], 1)[0] == pytest.approx(1.0, abs=0.35)
    for decision, choice, right in (
        ("attacked loose", "attack", True),
        ("reset tight", "reset", True),
        ("forced", "attack", False),
        ("passed up", "reset", False),
    ):
        mine = (told["decision"] == decision).to_numpy()
        assert (told.loc[mine, "choice"] == choice).all()
        # called where at least 4 in 5 draws say so
        assert np.mean((exactly[mine] > 0) == right) > 0.8
    # and about as often right as the draws say: judged shots alone, both choices
    called = ~told["decision"].isin(["too close to call", "not known yet"]).to_numpy()
    right = (exactly[called] > 0) == (told["points"].to_numpy()[called] > 0)
    sure = np.maximum(told["p_right"], 1 - told["p_right"]).to_numpy()[called]
    assert right.mean() == pytest.approx(sure.mean(), abs=0.08)
    sums = decision_table(table, by_value, []).set_index("decision")
    for decision in ("attacked loose", "reset tight", "forced", "passed up"):
        row = sums.loc[decision]
        truth = exactly[(told["decision"] == decision).to_numpy()].sum()
        assert row["points"] * truth > 0
        error = (row["points_high"] - row["points_low"]) / (2 * 1.96)
        assert abs(row["points"] - truth) < 4 * error


# -- lets --------------------------------------------------------------------------------


def with_lets(log, every=2):
    """The log and, after each game, many of its rallies once more, ending in a let.

    Only rallies in which Alder attacked are repeated: if lets were lost rallies, attacks, and
    Alder's above all, would look far worse.
    """
    key = ["match", "game", "rally"]
    alder = (log["player"] == "Alder") & (log["choice"] == "attack")
    rallies = log.loc[alder, key].drop_duplicates().iloc[::every]
    again = log.merge(rallies.astype({"match": log["match"].dtype}), on=key)
    last = ~again.duplicated(key, keep="last")
    again["rally_won_by"] = again["rally_won_by"].where(~last)
    again["ending"] = again["ending"].where(~last, "let")
    again["rally"] += 1000
    both = pd.concat([log, again], ignore_index=True)
    for name in log.columns[log.dtypes == "category"]:
        both[name] = pd.Categorical(both[name], dtype=log[name].dtype)
    return both.sort_values([*key, "shot"], kind="stable", ignore_index=True)


@pytest.fixture(scope="module")
def full_of_lets(world):
    found = sw.shot_features(with_lets(world[2]))
    assert (found["ending"] == "let").sum() > 100
    return found


def equal(found, wanted, columns):
    for name in columns:
        np.testing.assert_allclose(found[name], wanted[name], rtol=1e-5, atol=1e-6, err_msg=name)


def test_lets_move_no_answer_of_the_model(shots, full_of_lets, by_rally):
    again = sw.TightnessModel(outcome="rally", draws=200).fit(full_of_lets)
    equal(again.comfort(), by_rally.comfort(), ["win_forehand", "win_backhand", "win_difference"])
    bands = (attack_effect(model, bands_m=BANDS_M) for model in (again, by_rally))
    equal(*bands, ["effect", "effect_low", "effect_high", "naive", "model_gain"])
    tilts = (threshold_tilt(model, "Birch", moves_m=[0.1]) for model in (again, by_rally))
    equal(*tilts, ["tilt_log_odds", "tilt"])


def test_lets_move_no_rate_of_winning(shots, full_of_lets):
    tables = [zone_features(table, by=["player", "side"]) for table in (full_of_lets, shots)]
    equal(*tables, ["win_rate", "win_rate_low", "win_rate_high", "n_effective", "decided"])
    assert (tables[0]["n_shots"] > tables[1]["n_shots"]).any()


def test_lets_move_no_effect_of_a_combination(shots, full_of_lets):
    effects = [ATTACK.effect(table, by="player", permutations=0) for table in (full_of_lets, shots)]
    equal(*effects, ["difference", "difference_low", "difference_high", "win_rate_played_on"])
    sequences = [
        search(table, confirm=False, by=["stroke"], longest=3).set_index(["player", "sequence"])
        for table in (full_of_lets, shots)
    ]
    known = sequences[1].index[sequences[1]["win_error"].notna()]
    equal(*(table.loc[known] for table in sequences), ["win_rate", "win_difference", "win_error"])


# -- rates by hand -----------------------------------------------------------------------


def test_win_rates_of_zones_by_plain_counting(shots):
    """Whole rallies share a result: the interval is that of rallies, not of shots."""
    table = zone_features(shots, by=["player", "side"]).set_index(["player", "side"])
    winner = shots.groupby("rally_id")["rally_won_by"].last()
    own = shots[(shots["stroke"] != "serve") & shots["rally_id"].map(winner.notna())]
    for (player, side), part in own.groupby(["player", "side"], observed=True):
        row = table.loc[(player, side)]
        rate = (winner.reindex(part["rally_id"]).to_numpy(dtype=object) == player).mean()
        assert row["win_rate"] == pytest.approx(rate)
        per_rally = len(part) / part["rally_id"].nunique()
        if per_rally > 2.0:
            independent = 1.96 * np.sqrt(rate * (1 - rate) / len(part))
            assert (row["win_rate_high"] - row["win_rate_low"]) / 2.0 > 1.2 * independent
    assert table.loc[("Alder", "forehand"), "n_shots"] < table.loc[("Alder", "backhand"), "n_shots"]
