import numpy as np
import pandas as pd
import pytest
from scipy.special import logit
from sidewall.models.cells import ALL_STROKES
from sidewall.models.thresholds import NOT_KNOWN

import sidewall as sw
from sidewall.errors import DataError, NotFittedError
from sidewall.simulate import true_curves


def test_every_shot_is_used_or_counted(model, shots):
    assert len(model.used_) + model.left_out_.sum() == len(shots)
    assert model.left_out_["serve"] == (shots["stroke"] == "serve").sum()


def test_thresholds_are_one_row_a_player_side_and_family(model):
    table = model.thresholds()
    assert len(table) == 6 * 4
    known = table[table["status"] == "crosses"]
    assert len(known) > 3
    assert (known["low_m"] <= known["threshold_m"]).all()
    assert (known["threshold_m"] <= known["high_m"]).all()
    assert table.loc[table["status"] != "crosses", "threshold_m"].isna().all()
    counts = model.used_.groupby(["player", "side", "family"], observed=True).size()
    ours = table.set_index(["player", "side", "family"])[["n_attack", "n_reset"]].sum(axis=1)
    np.testing.assert_array_equal(ours, counts.reindex(ours.index).fillna(0))


def test_an_open_answer_says_how_many_more_shots(model):
    table = model.thresholds()
    is_open = table["status"] == NOT_KNOWN
    assert (table.loc[is_open, "more_shots"] > 0).all()
    assert (table.loc[~is_open, "more_shots"] == 0).all()


def test_a_higher_level_leaves_fewer_thresholds_known(model):
    known = [(model.thresholds(level)["status"] == "crosses").sum() for level in (0.5, 0.95, 0.999)]
    assert known[0] >= known[1] >= known[2]
    assert known[0] > known[2]


def test_curves_cross_at_the_threshold(model):
    for row in model.thresholds().query("status == 'crosses'").itertuples():
        curve = model.curves([row.threshold_m])
        at = curve[
            (curve["player"] == row.player)
            & (curve["side"] == row.side)
            & (curve["family"] == row.family)
        ].iloc[0]
        assert at["attack"] == pytest.approx(at["reset"], abs=2e-4)
        assert at["p_attack_better"] == pytest.approx(0.5, abs=0.01)


def test_curves_are_chances_inside_their_bands(model):
    curves = model.curves()
    for choice in ("attack", "reset"):
        low, mid, high = (curves[f"{choice}{end}"] for end in ("_low", "", "_high"))
        assert ((low > 0) & (low < mid) & (mid < high) & (high < 1)).all()
    np.testing.assert_allclose(curves["gain"], curves["attack"] - curves["reset"], atol=1e-12)
    assert curves["gain_low"].le(curves["gain"]).all()


def test_covariances_are_positive(model):
    for V in model.coefficient_covariance_:
        assert np.linalg.eigvalsh(V).min() > 0


def test_predictions_agree_with_the_curves(model):
    shots = pd.DataFrame(
        {
            "player": ["Elm"] * 2,
            "side": ["backhand"] * 2,
            "family": ["volley"] * 2,
            "choice": ["attack", "reset"],
            "gap_m": [0.6, 0.6],
        }
    )
    curve = model.curves([0.6]).query("player == 'Elm' and side == 'backhand'")
    curve = curve[curve["family"] == "volley"].iloc[0]
    win = model.predict_proba(shots)
    np.testing.assert_allclose(win.sum(axis=1), 1.0)
    np.testing.assert_allclose(win[:, 1], [curve["attack"], curve["reset"]], atol=1e-6)


def test_an_unknown_player_gets_the_ladders_curve(model):
    row = {"side": ["forehand"], "family": ["ground"], "choice": ["attack"], "gap_m": [0.5]}
    one, two = (
        model.predict_proba(pd.DataFrame({"player": [name], **row})) for name in ("Yew", "Oak")
    )
    np.testing.assert_array_equal(one, two)


def test_value_is_known_more_narrowly_than_rally(by_rally, by_value):
    """The point of judging by the ball one exchange later."""
    error = [np.sqrt(np.einsum("gkk->gk", m.coefficient_covariance_)) for m in (by_rally, by_value)]
    assert np.median(error[1] / error[0]) < 0.8


def test_dispersion_is_below_one_by_value_and_more_for_attacks(by_rally, by_value):
    assert (by_rally.dispersion_ == 1).all()
    assert by_value.dispersion_["reset"] < by_value.dispersion_["attack"] < 0.7


def test_sets_hold_the_exact_truth_about_as_often_as_they_say(model, truth):
    """One small ladder; the study with 200 of them is in tests/studies."""
    table = model.thresholds().merge(truth, on=["player", "side", "family"], suffixes=("", "_true"))
    true = table["threshold_m_true"]
    outside = (true < table["low_m"]) | (true > table["high_m"])
    assert outside.mean() < 0.2


def test_comfort_is_backhand_minus_forehand(model):
    table = model.comfort()
    assert len(table) == 6 * 2
    np.testing.assert_allclose(
        table["win_difference"], table["win_backhand"] - table["win_forehand"], atol=1e-12
    )
    assert (table["win_difference_low"] < table["win_difference"]).all()
    both = table["threshold_difference_m"].notna()
    known = table[both]
    assert (known["threshold_difference_low"] <= known["threshold_difference_m"]).all()
    assert (known["threshold_difference_m"] <= known["threshold_difference_high"]).all()
    assert table.loc[~both, "threshold_difference_low"].isna().all()


def test_the_same_seed_gives_the_same_answers(shots, by_value):
    again = sw.TightnessModel(outcome="value").fit(shots)
    pd.testing.assert_frame_equal(again.thresholds(), by_value.thresholds())
    pd.testing.assert_frame_equal(again.comfort(), by_value.comfort())


def test_auto_chooses_by_held_out_loss(shots):
    model = sw.TightnessModel(outcome="rally").fit(shots)
    scores = model.transform_scores_
    assert set(scores.index) == {"linear", "log1p", "spline"}
    assert model.transform_.kind == scores["log_loss"].idxmin()
    assert scores["worse_by"].min() == 0.0


def test_a_situation_shifts_the_threshold(shots):
    # balance that truly matters: stretched attacks lose more
    rng = np.random.default_rng(3)
    table = shots.copy()
    table["balance"] = np.where(rng.random(len(table)) < 0.3, "stretched", "set")
    hurt = (table["balance"] == "stretched") & (table["choice"] == "attack") & (table["won"] == 1)
    table.loc[hurt & (rng.random(len(table)) < 0.35), "won"] = 0.0
    model = sw.TightnessModel(outcome="rally", transform="log1p", situation=("balance",)).fit(table)
    calm, stretched = (
        model.curves([0.6], situation={"balance": level})["gain"].mean()
        for level in ("set", "stretched")
    )
    assert calm - stretched > 0.08
    between = model.curves([0.6])["gain"].mean()
    assert stretched < between < calm
    with pytest.raises(DataError, match="jammed"):
        model.thresholds(situation={"balance": "jammed"})
    with pytest.raises(DataError, match="score"):
        model.thresholds(situation={"score": "ahead"})


def test_without_contact_strokes_are_taken_together(shots):
    plain = shots.drop(columns=["contact", "family", "rally_id"])
    model = sw.TightnessModel(outcome="rally").fit(plain)
    assert model.families_ == (ALL_STROKES,)
    assert set(model.thresholds()["family"]) == {ALL_STROKES}
    assert "contact not charted" in model.notes_[0]


def test_families_charted_too_seldom_are_taken_together(shots):
    rare = shots[~((shots["family"] == "volley") & (shots["side"] == "forehand"))]
    model = sw.TightnessModel(outcome="rally").fit(rare)
    assert model.families_ == (ALL_STROKES,)
    assert "only 0 charted: forehand volley" in model.notes_[0]


def test_no_answer_about_a_player_from_others_shots_alone(shots):
    elm = (shots["player"] == "Elm") & (shots["side"] == "backhand")
    none = shots[~(elm & (shots["choice"] == "attack"))]
    table = sw.TightnessModel(outcome="rally").fit(none).thresholds()
    own = table[(table["player"] == "Elm") & (table["side"] == "backhand")]
    assert (own["status"] == NOT_KNOWN).all()
    assert own[["threshold_m", "low_m", "high_m"]].isna().all(axis=None)
    assert (own["more_shots"] >= 5).all()


def test_one_player_is_answered_from_own_shots_alone(shots):
    one = shots[shots["player"] == "Elm"]
    model = sw.TightnessModel(outcome="rally").fit(one)
    assert set(model.thresholds()["player"]) == {"Elm"}
    assert any("one group" in line for line in model.fit_.status_)


@pytest.mark.parametrize("outcome", ["rally", "value"])
def test_one_match_gives_an_answer(shots, outcome):
    one = shots[shots["match"] == shots["match"].iloc[0]]
    table = sw.TightnessModel(outcome=outcome).fit(one).thresholds()
    assert table["status"].isin(["crosses", NOT_KNOWN]).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t[t["choice"] != "attack"], "attack"),
        (lambda t: t[t["choice"] != "reset"], "reset"),
        (lambda t: t.assign(gap_m=np.where(t["gap_m"].isna(), np.nan, 0.3)), "the same gap"),
        (lambda t: t[t["side"] == "forehand"], "no backhand"),
        (lambda t: t[t["stroke"] == "serve"], "no shot can be used"),
        (lambda t: t.head(30), "too few"),
    ],
)
def test_what_cannot_be_answered_is_said(shots, change, message):
    with pytest.raises(DataError, match=message):
        sw.TightnessModel(outcome="rally").fit(change(shots))


def test_wrong_settings_are_named(shots):
    with pytest.raises(DataError, match="points"):
        sw.TightnessModel(outcome="points").fit(shots)
    with pytest.raises(DataError, match="cubic"):
        sw.TightnessModel(outcome="rally").fit(shots)
    with pytest.raises(DataError, match="spin"):
        sw.TightnessModel(outcome="rally", situation=("spin",)).fit(shots)
    with pytest.raises(NotFittedError):
        sw.TightnessModel().thresholds()


def test_population_curve_is_near_the_simulations_own(by_value, players, schedule):
    gaps = [0.3, 0.6, 0.9]
    true = true_curves(players, schedule, gaps_m=gaps)
    true = true.groupby(["choice", "gap_m"])["win_probability"].mean()
    exact = logit(true["attack"]) - logit(true["reset"])
    ours = by_value.curves(gaps).groupby("gap_m")[["attack", "reset"]].mean()
    np.testing.assert_allclose(logit(ours["attack"]) - logit(ours["reset"]), exact, atol=0.2)


def test_a_chain_that_is_too_coarse_is_said(shots, by_value):
    blind = sw.RallyChain(sw.BallStates(bands_m=(3.1,)))
    model = sw.TightnessModel(outcome="value").fit(shots)
    assert any("more gap bands" in note for note in model.notes_)
    assert by_value.notes_ == []
