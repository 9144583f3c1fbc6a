import copy

import numpy as np
import pytest
from scipy.special import expit

import sidewall as sw
from sidewall.errors import DataError, UnitError
from sidewall.trust import e_value, threshold_tilt, unseen_reason


def shifted(model, log_odds, player=0, cell=0):
    """The same model with a player's attack curve moved down."""
    other = copy.copy(model)
    other.coefficients_ = model.coefficients_.copy()
    other.coefficients_[player, cell, 0, 0] -= log_odds
    return other


def test_gains_are_the_models_own(model):
    table = unseen_reason(model, "Alder", gaps_m=[0.3, 0.9])
    curves = model.curves([0.3, 0.9]).query("player == 'Alder'")
    both = table.merge(curves, on=["side", "family", "gap_m"], suffixes=("", "_curve"))
    assert len(both) == len(table) == 4
    assert both["attack"].to_numpy() == pytest.approx(both["attack_curve"].to_numpy())
    assert both["risk_ratio"].to_numpy() == pytest.approx(
        (both["attack_curve"] / both["reset_curve"]).to_numpy()
    )
    assert both["e_value"].to_numpy() == pytest.approx(e_value(both["risk_ratio"]))


def test_the_interval_of_the_ratio_is_that_of_draws(model):
    row = unseen_reason(model, "Birch", gaps_m=[0.9]).iloc[0]
    p, rng = model.players_.index("Birch"), np.random.default_rng(2)
    shape = model.coefficients_[p].shape
    draws = rng.multivariate_normal(
        model.coefficients_[p].ravel(), model.coefficient_covariance_[p], size=40_000
    ).reshape(-1, *shape)
    basis = np.r_[1.0, model.transform_.basis([0.9])[0]]
    win = expit(draws[:, 0] @ basis)
    low, high = np.quantile(np.log(win[:, 0] / win[:, 1]), [0.025, 0.975])
    ends = row[["risk_ratio_low", "risk_ratio_high"]].to_numpy(dtype=float)
    assert np.log(ends) == pytest.approx([low, high], abs=0.02)


def test_counts_are_the_players_own(model, planted):
    table = unseen_reason(model, "Cedar")
    own = planted.query("player == 'Cedar' and side == 'backhand'")
    row = table.query("side == 'backhand'").iloc[0]
    assert row["n_attack"] == (own["choice"] == "attack").sum()
    assert row["n_reset"] == (own["choice"] == "reset").sum()
    assert row["n_rallies"] == own["rally_id"].nunique()


def test_taking_the_tilt_away_moves_the_threshold_to_the_target(model):
    table = threshold_tilt(model, "Alder")
    first = table.query("side == 'forehand'").dropna(subset="tilt")
    assert len(first) == 6
    for row in first.itertuples():
        moved = shifted(model, row.tilt_log_odds).thresholds().iloc[0]
        assert moved["threshold_m"] == pytest.approx(row.target_m, abs=1e-6)


def test_the_tilt_is_the_gain_at_the_target(model):
    row = threshold_tilt(model, "Elm", moves_m=[0.15]).iloc[0]
    at = model.curves([row["target_m"]]).query("player == 'Elm'").iloc[0]
    assert row[["tilt", "tilt_low", "tilt_high"]].astype(float).to_numpy() == pytest.approx(
        100 * at[["gain", "gain_low", "gain_high"]].astype(float).to_numpy()
    )


def test_signs_and_words(model):
    table = threshold_tilt(model, "Alder").query("side == 'forehand'")
    looser = table[table["target_m"] > table["threshold_m"]]
    assert (looser["tilt"] > 0).all()
    assert looser["words"].str.contains("easier by").all()
    tighter = table[table["target_m"] < table["threshold_m"]]
    assert (tighter["tilt"] < 0).all()
    assert tighter["words"].str.contains("harder by").all()


def test_the_ends_of_the_set_need_a_tilt_that_the_log_could_just_show(model):
    table = threshold_tilt(model, "Alder").query("side == 'forehand'").set_index("target")
    # at the end of Fieller's set the gain touches zero in log odds, and nearly so in chances
    assert table.loc["loose end", "tilt_low"] == pytest.approx(0.0, abs=1.0)
    assert table.loc["tight end", "tilt_high"] == pytest.approx(0.0, abs=1.0)


def test_one_choice_at_any_gap(model):
    always = threshold_tilt(shifted(model, -6.0), "Alder").iloc[0]
    assert always["status"] == "attack at any gap"
    assert always["tilt"] > 0
    assert "no longer hold" in always["words"]
    never = threshold_tilt(shifted(model, 6.0), "Alder").iloc[0]
    assert never["status"] == "reset at any gap"
    assert never["tilt"] < 0


def test_not_known_has_nothing_to_overturn(model):
    vague = copy.copy(model)
    vague.coefficient_covariance_ = 400 * model.coefficient_covariance_
    row = threshold_tilt(vague, "Alder").iloc[0]
    assert row["status"] == "not known yet"
    assert np.isnan(row["tilt"])
    assert "not known" in row["words"]


def test_targets_beyond_the_gaps_met_are_missing(model):
    row = threshold_tilt(model, "Alder", moves_m=[5.0]).iloc[0]
    assert np.isnan(row["tilt"])
    assert "within the gaps met" in row["words"]


def test_a_gain_that_falls_again_is_reached_by_no_constant_tilt(planted):
    model = sw.TightnessModel(outcome="rally", draws=200).fit(planted)
    bent = copy.copy(model)
    bent.coefficients_ = model.coefficients_.copy()
    # attack minus reset rises through zero at 0.3 m and bends down past 0.6 m
    rows = np.column_stack([np.ones(3), model.transform_.basis([0.3, 0.6, 1.15])])
    bent.coefficients_[0, 0, 1] = 0.0
    bent.coefficients_[0, 0, 0] = np.linalg.solve(rows, [0.0, 0.5, 0.35])
    bent.coefficient_covariance_ = 1e-6 * model.coefficient_covariance_
    table = threshold_tilt(bent, "Alder", moves_m=[0.1, 0.4]).iloc[:2]
    assert table["status"].eq("crosses").all()
    assert np.isfinite(table["tilt"].iloc[0])
    assert np.isnan(table["tilt"].iloc[1])


def test_other_units(model):
    row = threshold_tilt(model, "Alder", moves_m=[0.254], unit="in").iloc[0]
    assert row["target"] == "10 in looser"
    with pytest.raises(UnitError):
        threshold_tilt(model, "Alder", unit="boards")


@pytest.mark.parametrize("ask", [unseen_reason, threshold_tilt])
def test_an_unknown_player_is_named(model, ask):
    with pytest.raises(DataError, match=r"Yew.*Alder, Birch"):
        ask(model, "Yew")
