import numpy as np
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.trust import attack_effect

BANDS = [0.2, 0.5, 0.8]


@pytest.fixture(scope="module")
def table(model):
    return attack_effect(model, bands_m=BANDS)


def kept_gain(planted, gain, low, high):
    inside = planted["gap_m"].between(low, high, inclusive="left")
    return gain(planted.loc[inside, "gap_m"]).mean()


def test_the_logged_reason_is_allowed_for(table, planted, gain):
    """Here an interval that leaves it out ends some three errors off the truth."""
    for row in table.itertuples():
        truth = kept_gain(planted, gain, row.from_m, row.to_m)
        error = (row.effect_high - row.effect_low) / 3.92
        assert abs(row.effect - truth) < 3 * error
        # what the plan put in is found wrong by the comparison that leaves it out
        assert row.equally_loose_low > truth
        assert row.logged_tilt_low > 0


def test_the_model_that_leaves_the_reason_out_is_told_apart(table):
    assert table["words"].str.contains("attacking is worse than the model says").any()
    assert (table["model_gain"] > table["effect"]).all()


def test_the_model_that_adjusts_agrees(planted):
    adjusted = sw.TightnessModel(outcome="rally", situation="balance", draws=200).fit(planted)
    found = attack_effect(adjusted, bands_m=BANDS)
    assert found["words"].str.contains("no clear disagreement").all()


def test_nothing_planted_nothing_found(make_table):
    plain = make_table(np.random.default_rng(9), worth=0.0)
    model = sw.TightnessModel(outcome="rally", draws=200).fit(plain)
    found = attack_effect(model, bands_m=BANDS)
    assert found["words"].str.contains("no clear disagreement").all()
    assert (found["logged_tilt_low"] < 0.0).all()
    assert (found["logged_tilt_high"] > 0.0).all()


def test_the_models_gain_is_that_of_its_curves(model, planted):
    row = attack_effect(model, "Alder", bands_m=[1.18, 1.19], reasons=[])
    assert row["words"].iloc[0].startswith("fewer than 20")
    wide = attack_effect(model, "Alder", bands_m=[0.45, 0.75], reasons=[]).iloc[0]
    balls = planted.query("player == 'Alder' and 0.45 <= gap_m < 0.75")
    assert wide["kept"] == 1.0
    assert wide["n_attack"] + wide["n_reset"] == len(balls)
    parts = [attack - reset for _, attack, reset in model.posterior_.of_shots(balls)]
    drawn = np.concatenate(parts, axis=1).mean(axis=1)
    assert wide["model_gain"] == pytest.approx(drawn.mean())
    error = (wide["model_gain_high"] - wide["model_gain_low"]) / (2 * 1.959964)
    assert error == pytest.approx(drawn.std(), rel=1e-6)


def test_bands_lie_around_the_players_own_threshold(model, planted):
    answers = model.thresholds().query("player == 'Birch'").set_index("side")
    assert answers["status"].eq("crosses").all()
    found = attack_effect(model, "Birch", reasons=["balance"])
    assert found["from_m"].tolist() == [-0.3, -0.1, 0.1]
    own = planted.query("player == 'Birch'")
    place = own["gap_m"] - own["side"].map(answers["threshold_m"])
    inside = own[place.between(-0.1, 0.1, inclusive="left")]
    row = found.iloc[1]
    assert row["n_attack"] + row["n_reset"] == pytest.approx(row["kept"] * len(inside))
    assert found.attrs["reasons"] == ["balance"]


def test_no_threshold_and_no_bands_is_refused(make_table):
    flat = make_table(np.random.default_rng(3), rallies=60)
    model = sw.TightnessModel(outcome="rally", draws=200).fit(flat)
    none = model.thresholds().assign(status="not known yet", threshold_m=np.nan)
    model.thresholds = lambda level: none
    with pytest.raises(DataError, match="give bands_m"):
        attack_effect(model)


def test_an_unknown_player_is_named(model):
    with pytest.raises(DataError, match="Yew"):
        attack_effect(model, "Yew")
