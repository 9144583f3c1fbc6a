import numpy as np
import pytest
from scipy.special import expit

from sidewall.errors import DataError, SeparationError
from sidewall.trust import choice_overlap


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
    whole = found.balance[(found.balance["gap_low_m"] == 0) & (found.balance["gap_high_m"] == 1.2)]
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
