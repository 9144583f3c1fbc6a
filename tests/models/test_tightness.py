"""The model on planted players: its signs are those of the exact truth, and no others."""

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError, NotFittedError
from sidewall.models.answers import CROSSES, NOT_KNOWN
from sidewall.simulate import true_curves

KEYS = ["player", "side", "family"]
GAPS = np.array([0.2, 0.4, 0.6, 0.9, 1.2])


def small_model(outcome="rally", **settings):
    return sw.TightnessModel(outcome, situation=(), strokes=False, draws=50, **settings)


# -- against the truth -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def true_gain(players, schedule):
    true = true_curves(players, schedule, gaps_m=GAPS).pivot_table(
        index=[*KEYS, "gap_m"], columns="choice", values="win_probability", observed=True
    )
    return true["attack"] - true["reset"]


def gains_of(model):
    curves = model.curves(GAPS).set_index([*KEYS, "gap_m"])
    return curves["gain"], curves


def distance(found, true):
    return float(((found - true.reindex(found.index)) ** 2).mean())


def renamed(true, level, words):
    """The truth with its names exchanged, as a program that mixes them up would have it."""
    table = true.reset_index(name="gain")
    table[level] = table[level].map(lambda word: words.get(word, word))
    return table.set_index([*KEYS, "gap_m"])["gain"]


def test_gains_are_the_truths_and_not_those_of_other_sides_choices_or_players(model, true_gain):
    found, _ = gains_of(model)
    right = distance(found, true_gain)
    sides = {"forehand": "backhand", "backhand": "forehand"}
    others = {"Alder": "Birch", "Birch": "Alder"}
    wrong = {
        "sides": distance(found, renamed(true_gain, "side", sides)),
        "choices": distance(found, -true_gain),
        "players": distance(found, renamed(true_gain, "player", others)),
        "one curve for all": distance(found, true_gain * 0 + true_gain.mean()),
    }
    for name, other in wrong.items():
        assert right < other, name


def test_errors_are_of_the_size_that_the_bands_say(model, true_gain):
    """80 gains of one log hang together; how often bands hold the truth is for the studies."""
    _, curves = gains_of(model)
    error = (curves["gain_high"] - curves["gain_low"]) / (2 * 1.96)
    z = (curves["gain"] - true_gain.reindex(curves.index)) / error
    assert 0.3 < np.sqrt((z**2).mean()) < 2.0


@pytest.fixture(scope="module")
def true_comfort(by_rally, players, schedule):
    """Own shots through the exact curves of either side: backhand minus forehand."""
    by = ("depth", "balance", "stroke")
    curves = true_curves(players, schedule, by=by).set_index([*KEYS, *by]).sort_index()
    grid = np.unique(curves["gap_m"])
    used = by_rally.used_
    known = used["stroke"].isin(simulate.PLAYED) & used["balance"].isin(["set", "stretched"])
    differences = []
    for key, own in used[known].groupby(["player", "family", *by], observed=True):
        player, family, *rest = key
        win = [
            np.interp(own["gap_m"], grid, curves.loc[(player, s, family, *rest), "win_probability"])
            for s in ("forehand", "backhand")
        ]
        shots = pd.DataFrame({"player": player, "family": family, "d": win[1] - win[0]})
        differences.append(shots)
    return pd.concat(differences).groupby(["player", "family"])["d"].mean()


def test_comfort_has_the_planted_signs(by_value, true_comfort):
    table = by_value.comfort().set_index(["player", "family"])
    true = true_comfort.reindex(table.index)
    assert (true["Alder"] < -0.01).all()
    assert (true["Birch"] > 0.01).all()
    assert (table["win_difference"] * true)[true.abs() > 0.01].gt(0).all()


def test_comfort_holds_the_truth_and_adds_up(model, true_comfort):
    table = model.comfort().set_index(["player", "family"])
    true = true_comfort.reindex(table.index)
    inside = (table["win_difference_low"] <= true) & (true <= table["win_difference_high"])
    assert inside.sum() >= 6
    np.testing.assert_allclose(
        table["win_difference"], table["win_backhand"] - table["win_forehand"], atol=1e-12
    )
    both = table[table["threshold_difference_m"].notna()]
    difference = both["threshold_backhand_m"] - both["threshold_forehand_m"]
    np.testing.assert_allclose(both["threshold_difference_m"], difference)
    low, high = both["threshold_difference_low_m"], both["threshold_difference_high_m"]
    assert ((low <= difference) & (difference <= high)).all()
    unknown = table["threshold_difference_m"].isna()
    assert table.loc[unknown, "threshold_difference_low_m"].isna().all()


def test_the_rule_is_nearer_the_truth_than_one_gap_for_all(by_value, truth):
    rule = by_value.rule().merge(truth, on=KEYS)
    assert len(rule) == 16
    # where the truth crosses at all, on the scale on which gaps count
    crosses = np.isfinite(rule["threshold_m"]) & np.isfinite(rule["rule_m"])
    assert crosses.sum() >= 8
    ours, exact = (np.log1p(rule.loc[crosses, c] / 0.25) for c in ("rule_m", "threshold_m"))
    assert np.corrcoef(ours, exact)[0, 1] > 0.5
    assert (rule["cost"] >= 0).all()
    assert (rule["cost"] <= rule["cost_at_most"]).all()


def test_which_shot_puts_attack_first_on_loose_balls_of_the_better_side(by_value):
    loose = by_value.which_shot("Alder", "forehand", "ground", gap_m=1.2)
    tight = by_value.which_shot("Alder", "backhand", "ground", gap_m=0.1)
    assert loose["choice"].iloc[0] == "attack"
    assert tight["choice"].iloc[0] == "reset"
    for table in (loose, tight):
        assert table["words"].iloc[0] == "best so far"
        assert table["p_best"].sum() == pytest.approx(1.0)
        assert ((table["win_low"] <= table["win"]) & (table["win"] <= table["win_high"])).all()
        assert table["win"].is_monotonic_decreasing
    used = by_value.used_
    own = used[(used["player"] == "Alder") & (used["side"] == "forehand")]
    own = own[own["family"] == "ground"]
    n = own.groupby(["choice", "stroke"], observed=True).size()
    for row in loose.itertuples():
        assert row.n_shots == n.get((row.choice, row.stroke), 0)


def test_by_value_more_is_known_than_by_rally(by_rally, by_value):
    """The point of judging by the ball that a shot leaves."""
    width = [
        (curves["gain_high"] - curves["gain_low"]).median()
        for curves in (m.curves([0.5]) for m in (by_rally, by_value))
    ]
    assert width[1] < width[0]


# -- tables ----------------------------------------------------------------------------------


def test_every_shot_is_used_or_counted(model, shots):
    assert len(model.used_) + model.left_out_.sum() == len(shots)
    assert model.left_out_["serve"] == (shots["stroke"] == "serve").sum()
    assert model.counted_.shots == len(model.used_)


def test_statuses_and_numbers_go_together(model):
    table = model.thresholds()
    crosses = table["status"] == CROSSES
    assert (table.loc[crosses, "threshold_low_m"] <= table.loc[crosses, "threshold_m"]).all()
    assert (table.loc[crosses, "threshold_m"] <= table.loc[crosses, "threshold_high_m"]).all()
    assert table.loc[~crosses, "threshold_m"].isna().all()
    assert (table.loc[table["status"] == NOT_KNOWN, "more_shots"] > 0).all()
    assert (table.loc[table["status"] != NOT_KNOWN, "more_shots"] == 0).all()
    assert table["own"].between(0, 1).all()


def test_answers_cannot_contradict_one_another(model):
    """At a threshold the gain is even, and at least half of the draws say attack.

    More do where attack is better there, worse again beyond, and better for good later.
    """
    known = model.thresholds().query("status == 'crosses'").head(4)
    for row in known.itertuples():
        at = model.curves([row.threshold_m]).set_index(KEYS).loc[(row.player, row.side, row.family)]
        assert 0.49 <= at["p_attack_better"] < 0.8
        assert at["gain_low"] < 0 < at["gain_high"]


def test_curves_are_chances_inside_their_bands(model):
    curves = model.curves([0.1, 0.5, 1.0])
    for choice in ("attack", "reset"):
        low, mid, high = (curves[f"{choice}{end}"] for end in ("_low", "", "_high"))
        assert ((low >= 0) & (low < mid) & (mid < high) & (high <= 1)).all()
    np.testing.assert_allclose(curves["gain"], curves["attack"] - curves["reset"], atol=1e-12)


@pytest.fixture(scope="module")
def few(shots):
    return shots[shots["match"].isin(shots["match"].unique()[:6])]


@pytest.fixture(scope="module")
def plain(few):
    return small_model().fit(few).curves([0.3, 0.9])


@pytest.fixture(scope="module")
def plain_by_value(few):
    return small_model("value").fit(few).curves([0.3, 0.9])


def test_the_same_seed_gives_the_same_and_another_nearly(few, plain):
    again, other = (small_model(seed=seed).fit(few).curves([0.3, 0.9]) for seed in (0, 2))
    pd.testing.assert_frame_equal(again, plain)
    assert not np.array_equal(other["gain"], plain["gain"])
    error = (plain["gain_high"] - plain["gain_low"]) / 4
    assert (np.abs(other["gain"] - plain["gain"]) < 2 * error).all()


def test_the_order_of_rows_and_of_matches_does_not_matter(few, plain, plain_by_value):
    mixed = few.iloc[np.random.default_rng(0).permutation(len(few))]
    found = small_model().fit(mixed).curves([0.3, 0.9])
    pd.testing.assert_frame_equal(found, plain, rtol=1e-5)
    names = list(few["match"].unique())
    turned = pd.concat([few[few["match"] == name] for name in names[::-1]])
    found = small_model("value").fit(turned).curves([0.3, 0.9])
    pd.testing.assert_frame_equal(found, plain_by_value, rtol=1e-4)


def test_a_fit_forgets_the_one_before(few, plain):
    model = small_model("value").fit(few)
    model.outcome = "rally"
    again = model.fit(few)
    assert not hasattr(again, "value_")
    assert not hasattr(again, "correction_")
    pd.testing.assert_frame_equal(again.curves([0.3, 0.9]), plain)


# -- by situation ----------------------------------------------------------------------------


def test_answers_by_a_level_are_there_or_as_in_general(by_rally):
    general = by_rally.thresholds().set_index(KEYS)
    table = by_rally.thresholds(by="depth")
    assert len(table) == 3 * len(general)
    assert set(table["basis"]) == {"own level", "as in general"}
    front = by_rally.used_.query("depth == 'front'")
    n = front.groupby([*KEYS, "choice"], observed=False).size()
    for row in table.itertuples():
        at = (row.player, row.side, row.family)
        if row.depth == "front":
            assert (row.n_attack, row.n_reset) == (n[(*at, "attack")], n[(*at, "reset")])
        if row.basis == "as in general":
            assert row.status == general.loc[at, "status"]
            np.testing.assert_array_equal(row.threshold_m, general.loc[at, "threshold_m"])
        else:
            assert min(row.n_attack, row.n_reset) >= 5
    rule = by_rally.rule(by="depth")
    pd.testing.assert_series_equal(rule["basis"], table["basis"])
    borrowed = rule[rule["basis"] == "as in general"]
    whole = by_rally.rule().set_index(KEYS)["rule_m"]
    expected = whole.reindex(pd.MultiIndex.from_frame(borrowed[KEYS])).to_numpy()
    np.testing.assert_array_equal(borrowed["rule_m"], expected)


def test_a_situation_that_matters_shifts_the_gain(shots):
    rng = np.random.default_rng(3)
    table = shots.assign(balance=np.where(rng.random(len(shots)) < 0.3, "stretched", "set"))
    attack = ((table["balance"] == "stretched") & (table["choice"] == "attack")).to_numpy()
    hurt = table.loc[attack & (rng.random(len(table)) < 0.4), "rally_id"]
    lost = table["rally_id"].isin(hurt) & table["won"].notna()
    striker = table.loc[hurt.index].groupby("rally_id")["player"].first().astype(str)
    loser = table["rally_id"].map(striker)
    won = (table["player"].astype(str) != loser).astype(float)
    table["won"] = np.where(lost, won, table["won"])
    model = sw.TightnessModel("rally", situation=("balance",), strokes=False, draws=50).fit(table)
    gain = model.curves([0.6], by="balance").groupby("balance")["gain"].mean()
    assert gain["set"] - gain["stretched"] > 0.05
    assert gain["stretched"] < model.curves([0.6])["gain"].mean() < gain["set"]


def test_what_is_not_told_apart_is_said(by_rally):
    with pytest.raises(DataError, match="by names 'stroke', which this model does not tell apart"):
        by_rally.thresholds(by="stroke")
    with pytest.raises(DataError, match="it knows depth"):
        by_rally.curves(by=["depth", "balance"])


# -- predictions -----------------------------------------------------------------------------

BALL = {"side": ["forehand"], "family": ["ground"], "choice": ["attack"], "gap_m": [0.5]}


def test_predictions_are_near_the_curves(by_rally):
    """One situation against the mean of all: the same level, side and way of the gap."""
    curve = by_rally.curves(GAPS).query("player == 'Birch' and side == 'backhand'")
    curve = curve[curve["family"] == "ground"]
    balls = pd.DataFrame(BALL | {"side": ["backhand"]}).loc[[0] * 5].assign(gap_m=GAPS)
    balls = balls.assign(player="Birch", depth="back")
    win = by_rally.predict_proba(balls)
    np.testing.assert_allclose(win.sum(axis=1), 1.0)
    np.testing.assert_allclose(win[:, 1], curve["attack"], atol=0.06)


def test_strangers_get_the_clubs_curve(model):
    one, two = (model.predict_proba(pd.DataFrame(BALL | {"player": [n]})) for n in ("Yew", "Oak"))
    np.testing.assert_array_equal(one, two)
    both = {"side": ["forehand", "backhand"], "player": "Alder"}
    known = model.predict_proba(pd.DataFrame(BALL | {"player": "Yew"}).loc[[0, 0]].assign(**both))
    strange = model.predict_proba(pd.DataFrame(BALL).loc[[0, 0]].assign(**both | {"player": "Yew"}))
    assert known[0, 1] - known[1, 1] > strange[0, 1] - strange[1, 1]  # Alder's better forehand


def test_a_stronger_opponent_takes_from_the_chance(model):
    by = model.strengths_.strength_.drop("Elm").sort_values()
    weak, strong = (
        model.predict_proba(pd.DataFrame(BALL | {"player": ["Elm"], "opponent": [name]}))[0, 1]
        for name in (by.index[0], by.index[-1])
    )
    assert strong < weak


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"choice": ["smash"]}, "choice holds 'smash'"),
        ({"side": ["left"]}, "side holds 'left'"),
        ({"family": ["half"]}, "family holds 'half'"),
        ({"depth": ["deep"]}, "depth holds 'deep'"),
        ({"stroke": ["slap"]}, "stroke holds 'slap'"),
        ({"gap_m": ["wide"]}, "gap_m holds words"),
        ({"gap_m": [-0.2]}, "gap_m holds -0.2"),
    ],
)
def test_what_cannot_be_predicted_is_said(by_value, change, message):
    with pytest.raises(DataError, match=message):
        by_value.predict_proba(pd.DataFrame({"player": ["Elm"], **BALL, **change}))


@pytest.mark.parametrize("name", ["side", "choice", "family", "gap_m"])
def test_a_blank_has_no_answer_and_its_neighbour_has(by_value, name):
    two = pd.DataFrame({"player": "Elm", **BALL}).loc[[0, 0]].reset_index(drop=True)
    alone = by_value.predict_proba(two)[1]
    two[name] = two[name].astype(object if name != "gap_m" else float)
    two.loc[0, name] = np.nan if name == "gap_m" else None
    win = by_value.predict_proba(two)
    assert np.isnan(win[0]).all()
    # one row is added up in another order than two: equal but for the last digits
    np.testing.assert_allclose(win[1], alone, rtol=1e-13)


def test_a_missing_column_is_named(by_value):
    with pytest.raises(DataError, match="choice"):
        by_value.predict_proba(pd.DataFrame(BALL | {"player": ["Elm"]}).drop(columns="choice"))


# -- settings --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"outcome": "points"}, "points"),
        ({"horizon": 3}, "horizon is 3"),
        ({"situation": ("spin",)}, "no column 'spin'"),
        ({"draws": 10}, "draws is 10"),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_wrong_settings_are_named(shots, settings, message):
    with pytest.raises(DataError, match=message):
        sw.TightnessModel(**settings).fit(shots)


def test_before_a_fit_there_is_no_answer():
    model = sw.TightnessModel()
    for ask in (model.thresholds, model.rule, model.curves, model.comfort, model.gap_max_m):
        with pytest.raises(NotFittedError):
            ask()


def test_which_shot_refuses_what_it_does_not_know(by_value):
    with pytest.raises(DataError, match="Oak"):
        by_value.which_shot("Oak", "forehand", "ground")
    with pytest.raises(DataError, match="the model knows forehand ground"):
        by_value.which_shot("Elm", "left", "ground")
    with pytest.raises(DataError, match="gaps_m holds 60"):
        by_value.which_shot("Elm", "forehand", "ground", gap_m=60)
    with pytest.raises(DataError, match="depth 'deep'"):
        by_value.which_shot("Elm", "forehand", "ground", depth="deep")


def test_a_table_that_was_changed_is_handed_out_as_it_was(by_value):
    first = by_value.thresholds(0.9)
    changed = by_value.thresholds(0.9)
    changed["threshold_m"] = 0.0
    pd.testing.assert_frame_equal(by_value.thresholds(0.9), first)
