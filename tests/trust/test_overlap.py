import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from sidewall import simulate
from sidewall.errors import DataError, SeparationError
from sidewall.features import shot_features
from sidewall.models.counted import usable_shots
from sidewall.trust import REASONS, choice_overlap, logged_reasons


@pytest.fixture(scope="module")
def used():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(1))
    shots = shot_features(simulate.simulate_shots(players, [(0, 1)] * 3, rng=2))
    return usable_shots(shots)[0]


def test_everything_logged_is_taken_up(used):
    found = logged_reasons(used)
    assert set(found.names) | set(found.left_out) == set(REASONS)
    assert {"y_m", "balance", "lead", "opponent_from_t_m", "player"} <= set(found.names)
    assert found.columns.notna().all(axis=None)


def test_nothing_that_comes_after_the_choice_is_taken_up(used):
    # what happens after the shot is a result of the choice; scrambling it must change nothing
    later = ["reply_gap_m", "opponent_distance_m", "shots_left", "bounce_x_m", "bounce_y_m"]
    later += ["wall_z_m", "won", "outcome", "stroke", "direction", "rally_length"]
    mixed = used.copy()
    for name in later:
        mixed[name] = used[name].sample(frac=1.0, random_state=3).to_numpy()
    pd.testing.assert_frame_equal(logged_reasons(used).columns, logged_reasons(mixed).columns)


def test_missing_numbers_get_a_column_that_says_so(used):
    half = used.assign(tempo_s=used["tempo_s"].where(np.arange(len(used)) % 2 == 0))
    columns = logged_reasons(half).columns
    assert columns["tempo_s missing"].mean() == pytest.approx(0.5, abs=0.01)
    assert columns.loc[columns["tempo_s missing"] == 1, "tempo_s"].eq(0.0).all()


def test_rare_words_join_the_commonest(used):
    rare = used.assign(balance=np.where(np.arange(len(used)) < 5, "jammed", "set"))
    found = logged_reasons(rare, ["balance", "side"])
    assert found.names == ["side"]
    assert found.left_out == {"balance": "hardly varies"}


def test_a_column_of_ones_own(used):
    tired = used.assign(tired=np.where(np.arange(len(used)) % 3 == 0, "yes", "no"))
    assert list(logged_reasons(tired, ["tired"]).columns) == ["tired=yes"]


def test_a_choice_by_the_toss_of_a_coin_has_full_overlap(planted):
    rng = np.random.default_rng(8)
    tossed = planted.assign(choice=np.where(rng.random(len(planted)) < 0.3, "attack", "reset"))
    found = choice_overlap(tossed)
    assert found.bands["in_range"].eq(1.0).all()
    assert found.shots["chance"].mean() == pytest.approx(found.shots["attack"].mean())
    assert found.shots["chance"].std() < 0.05
    total = found.bands.iloc[-1]
    # weights hardly differ, so nearly all shots count
    assert total["effective_attack"] > 0.97 * total["n_attack"]
    assert "100 in 100" in found.words()


def test_the_chance_is_that_of_the_plan(planted):
    found = choice_overlap(planted, reasons=["balance"])
    gap = planted["gap_m"].to_numpy()
    true = expit(4 * (gap - 0.5) + 1.5 * ((planted["balance"] == "set") - 0.5))
    assert np.abs(found.shots["chance"] - true).mean() < 0.02


def test_weighting_makes_attacked_and_reset_balls_alike(planted):
    found = choice_overlap(planted)
    whole = found.balance[(found.balance["from_m"] == 0) & (found.balance["to_m"] == 1.2)]
    whole = whole.set_index("reason")
    balance = whole.filter(like="balance=", axis=0)
    assert balance["before"].abs().min() > 0.3
    assert whole["after"].abs().max() < 0.1
    assert "still differ" not in found.words()


def test_the_share_that_can_be_compared_is_counted(planted):
    found = choice_overlap(planted)
    chance = found.shots["chance"]
    band = found.shots["band"] == 1
    share = ((chance >= 0.05) & (chance <= 0.95))[band].mean()
    assert found.bands["in_range"].iloc[1] == pytest.approx(share)
    counted = found.bands.iloc[:-1][["n_attack", "n_reset"]].to_numpy().sum()
    assert counted == (found.shots["band"] >= 0).sum()
    weights = 1.0 / chance[band & found.shots["attack"]]
    assert found.bands["effective_attack"].iloc[1] == pytest.approx(
        weights.sum() ** 2 / (weights**2).sum()
    )


def test_one_player(planted):
    found = choice_overlap(planted, "Birch")
    assert len(found.shots) == (planted["player"] == "Birch").sum()
    assert "player" not in found.reasons.names
    assert found.reasons.left_out["tempo_s"] == "not charted"


def test_a_choice_by_the_gap_alone_leaves_nothing_to_compare(planted):
    ruled = planted.assign(choice=np.where(planted["gap_m"] > 0.5, "attack", "reset"))
    with pytest.raises(SeparationError, match="without fault"):
        choice_overlap(ruled, reasons=[])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"player": "Yew"}, "Yew.*Alder"),
        ({"bands_m": [0.5]}, "rising"),
        ({"bands_m": [0.5, 0.2]}, "rising"),
        ({"reasons": ["weather"]}, "weather"),
    ],
)
def test_what_cannot_be_is_refused(planted, options, words):
    with pytest.raises(DataError, match=words):
        choice_overlap(planted, **options)


def test_too_few_of_a_choice_are_refused(planted):
    with pytest.raises(DataError, match="too few to compare"):
        choice_overlap(planted.assign(choice="reset"))
