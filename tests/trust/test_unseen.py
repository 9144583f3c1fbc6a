import copy

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.errors import DataError, UnitError
from sidewall.trust import e_value, e_value_of_limit, threshold_tilt, unseen_reason

ratios = st.floats(0.01, 100.0)


@given(ratios)
def test_a_reason_of_just_that_strength_explains_the_ratio_away(ratio):
    # bounding factor of Ding & VanderWeele 2016, Epidemiology 27:368-377, both strengths alike
    e = float(e_value(ratio))
    assert e * e / (2.0 * e - 1.0) == pytest.approx(max(ratio, 1.0 / ratio), rel=1e-9)


@given(ratios)
def test_the_direction_does_not_matter(ratio):
    assert e_value(ratio) == pytest.approx(e_value(1.0 / ratio))


@given(ratios, st.floats(1.0, 3.0), st.floats(1.0, 3.0))
def test_the_limit_takes_no_more_than_the_estimate(ratio, down, up):
    assert e_value_of_limit(ratio, ratio / down, ratio * up) <= e_value(ratio) * (1 + 1e-12)


def test_an_interval_that_holds_one_needs_no_reason():
    assert e_value_of_limit(1.3, 0.9, 1.8) == 1.0
    assert np.isnan(e_value_of_limit(1.3, np.nan, 1.8))


@pytest.mark.parametrize("ratio", [0.0, -1.0])
def test_ratios_that_cannot_be_are_refused(ratio):
    with pytest.raises(DataError, match="above zero"):
        e_value([1.2, ratio])


def test_limits_in_the_wrong_order_are_refused():
    with pytest.raises(DataError, match="between its limits"):
        e_value_of_limit(2.0, 3.0, 1.0)


def bent(model, change, player=0, cell=0):
    """The same model with the draws of a player's attack curve changed."""
    other = copy.copy(model)
    other.posterior_, other._tables = copy.copy(model.posterior_), {}
    plain = model.posterior_.win

    def win(i, j, choice, gaps_m, *rest):
        found = plain(i, j, choice, gaps_m, *rest)
        return change(found, gaps_m) if (i, j, choice) == (player, cell, "attack") else found

    other.posterior_.win = win
    return other


def shifted(model, gain):
    """The same model with a player's attack won less often."""
    return bent(model, lambda win, gaps: win - gain)


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
    i, j = model.players_.index("Birch"), model.cells_.index((row["side"], row["family"]))
    attack, reset = (
        model.posterior_.win(i, j, choice, np.array([0.9]))[:, 0] for choice in ("attack", "reset")
    )
    low, high = np.quantile(attack / reset, [0.025, 0.975])
    assert row["risk_ratio_low"] == pytest.approx(low, rel=1e-3)
    assert row["risk_ratio_high"] == pytest.approx(high, rel=1e-3)


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
        moved = shifted(model, row.tilt / 100).thresholds().iloc[0]
        # the threshold is the median of the draws' crossings, the tilt where their mean crosses
        assert moved["threshold_m"] == pytest.approx(row.target_m, abs=0.01)


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
    # at an end of the set 2.5 in 100 draws have crossed, so that many have a gain of the other sign
    assert table.loc["loose end", "tilt_low"] == pytest.approx(0.0, abs=1.0)
    assert table.loc["tight end", "tilt_high"] == pytest.approx(0.0, abs=1.0)


def test_one_choice_at_any_gap(model):
    # a whole rally more or less: beyond any doubt, however wide the draws
    always = threshold_tilt(shifted(model, -1.0), "Alder").iloc[0]
    assert always["status"] == "attack at any gap"
    assert always["tilt"] > 0
    assert "no longer hold" in always["words"]
    never = threshold_tilt(shifted(model, 1.0), "Alder").iloc[0]
    assert never["status"] == "reset at any gap"
    assert never["tilt"] < 0


def test_not_known_has_nothing_to_overturn(model):
    noise = np.random.default_rng(4).normal(0.0, 1.0, (model.posterior_.n_draws, 1))
    vague = bent(model, lambda win, gaps: win + noise)
    row = threshold_tilt(vague, "Alder").iloc[0]
    assert row["status"] == "not known yet"
    assert np.isnan(row["tilt"])
    assert "not known" in row["words"]


def test_targets_beyond_the_gaps_met_are_missing(model):
    row = threshold_tilt(model, "Alder", moves_m=[3.0]).iloc[0]
    assert np.isnan(row["tilt"])
    assert "within the gaps met" in row["words"]


def test_a_gain_that_falls_again_is_reached_by_no_constant_tilt(model):
    # attack minus reset rises through zero at 0.3 m and falls again from 0.6 m
    def falls(win, gaps_m):
        reset = model.posterior_.win(0, 0, "reset", gaps_m)
        return reset + np.interp(gaps_m, [0.0, 0.3, 0.6, 1.2], [-0.15, 0.0, 0.1, 0.06])

    table = threshold_tilt(bent(model, falls), "Alder", moves_m=[0.1, 0.4]).iloc[:2]
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
