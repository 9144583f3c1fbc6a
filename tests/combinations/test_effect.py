from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import false_discovery_control

import sidewall as sw
from sidewall.combinations import Combination, Step, effects
from sidewall.combinations.effect import BANDS_M, decisive_moments, state_codes
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.rallies.states import BallStates

VOLLEY = Combination.built_in("length then volley")
ATTACK = Combination(
    "length then attack", [Step.own(stroke="drive"), Step.any_reply(), Step.own(choice="attack")]
)


def one_state(table):
    return pd.Series(pd.Categorical(["ball"] * len(table)), index=table.index)


def test_moments_by_hand(by_hand):
    attack = {"stroke": "drop", "choice": "attack"}
    reset = {"stroke": "drive", "choice": "reset"}
    shots = by_hand(
        ("Hazel", "serve", reset, reset, attack, reset, reset),
        ("Rowan", "serve", reset, reset, {"stroke": "drive"}, attack),
    )
    found = decisive_moments(ShotColumns(shots), ATTACK.steps, 3)
    # rally 1: Hazel attacks at shot 4, Rowan resets at 5; at 6 Hazel's drive is no lead-up
    # rally 2: Rowan at 4 (Hazel served) has no choice charted, Hazel attacks at 5
    assert found.row.tolist() == [3, 4, 10]
    assert found.played_on.tolist() == [True, False, True]
    assert found.not_charted.tolist() == [9]


def test_situation_is_asked_of_both_ways(by_hand):
    loose = {"stroke": "drop", "gap_m": 0.9}
    steps = [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drop", gap_m=(0.5, None))]
    shots = by_hand(
        ("Hazel", "serve", "drive", "drive", loose),
        ("Hazel", "serve", "drive", "drive", {**loose, "stroke": "lob"}),
        ("Hazel", "serve", "drive", "drive", {**loose, "gap_m": 0.1}),
    )
    found = decisive_moments(ShotColumns(shots), steps, 3)
    assert found.played_on.tolist() == [True, False]


def one_a_game(by_hand, results, match="m1"):
    """Rallies that Rowan serves, each in a game of its own, with Hazel's last shot as told."""
    parts = [
        by_hand((winner, "serve", "drive", "lob", shot), match=match).assign(game=k)
        for k, (winner, shot) in enumerate(results, start=1)
    ]
    return pd.concat(parts, ignore_index=True)


def test_difference_by_hand(by_hand):
    """One state, one player: two of three against one of four."""
    on, off = "drop", "lob"
    results = [("Hazel", on), ("Hazel", on), ("Rowan", on)]
    results += [("Hazel", off), ("Rowan", off), ("Rowan", off), ("Rowan", off)]
    shots = one_a_game(by_hand, results * 6)
    two = Combination("two", [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drop")])
    row = two.effect(shots, player="Hazel", state=one_state).iloc[0]
    assert (row["played_on"], row["another_way"], row["n_rallies"]) == (18, 24, 42)
    assert row["win_rate_played_on"] == pytest.approx(2 / 3)
    assert row["win_rate_another_way"] == pytest.approx(1 / 4)
    assert row["difference"] == pytest.approx(5 / 12)
    assert row["odds_ratio"] == pytest.approx(6.0)
    assert row["status"] == "gains"
    assert row["tries_a_game"] == pytest.approx(18 / 42)
    assert row["points_a_game"] == pytest.approx(18 / 42 * 5 / 12)
    assert row["p"] < 0.05
    few = two.effect(shots.iloc[: 4 * 14], player="Hazel", state=one_state).iloc[0]
    assert few["status"] == "too few"
    assert np.isnan(few["difference"])
    assert few["played_on"] == 6


def test_what_is_played_more_on_a_good_day_gains_nothing_by_that(by_hand):
    """A day on which Hazel wins 4 of 5 and drops 4 of 5, one of 1 of 5: whichever the shot."""
    days = []
    for match, usual, seldom in (("good", "drop", "lob"), ("bad", "lob", "drop")):
        winners = ["Hazel", "Rowan"] if match == "good" else ["Rowan", "Hazel"]
        mixed = [
            (winners[k % 5 == 4], usual if j % 5 else seldom) for k in range(10) for j in range(10)
        ]
        days.append(one_a_game(by_hand, mixed, match))
    shots = pd.concat(days, ignore_index=True)
    shots["match"] = pd.Categorical(shots["match"], categories=["good", "bad"])
    drop = Combination(
        "drop", [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drop")]
    )
    row = drop.effect(shots, player="Hazel", state=one_state).iloc[0]
    assert row["strata"] == 2
    assert row["difference"] == pytest.approx(0.0, abs=1e-12)
    last = shots[shots["shot"] == 4]
    won = last["rally_won_by"] == "Hazel"
    drops = last["stroke"] == "drop"
    assert won[drops].mean() - won[~drops].mean() == pytest.approx(0.36)


def test_by_player_and_together(ladder):
    table = sw.shot_features(ladder)
    whole = ATTACK.effect(table, permutations=49).iloc[0]
    parts = ATTACK.effect(table, by="player", permutations=49)
    assert parts["player"].tolist() == list(ladder["player"].cat.categories)
    for column in ("played_on", "another_way", "compared", "strata", "not_charted"):
        assert parts[column].sum() == whole[column]
    np.testing.assert_allclose(parts["p_adjusted"], false_discovery_control(parts["p"]))
    alone = ATTACK.effect(ladder, player="Cedar", permutations=0).iloc[0]
    assert alone["difference"] == pytest.approx(parts.set_index("player")["difference"]["Cedar"])
    assert np.isnan(alone["p"])
    first = ATTACK.effect(table, tries="first", permutations=0).iloc[0]
    assert first["compared"] < whole["compared"]
    assert first["n_rallies"] <= whole["n_rallies"]
    # each rally counts at most once for each of its two players
    assert first["compared"] <= 2 * first["n_rallies"]


def test_when_how_the_ball_is_met_decides_states_do_not_tell_it(ladder):
    row = VOLLEY.effect(ladder, permutations=0).iloc[0]
    # with ground strokes and volleys in states of their own, no stratum would have both
    assert row["compared"] > 0.9 * (row["played_on"] + row["another_way"])


def test_states_tell_how_the_ball_is_met_unless_that_is_what_is_decided(ladder):
    """Side, ground stroke or volley, and three bands of the gap; without the volleys else."""
    columns = ShotColumns(ladder)
    table = columns.features
    apart = BallStates(bands_m=BANDS_M)
    together = apart(table.assign(family="ground"))
    for told, named in ((state_codes(columns, None), apart(table)),
                        (state_codes(columns, None, False), apart(table)),
                        (state_codes(columns, None, True), together),
                        (state_codes(columns, apart, True), apart(table))):  # fmt: skip
        np.testing.assert_array_equal(told[0], named.cat.codes)
        assert told[1] == len(named.cat.categories)
    assert together.nunique() < apart(table).nunique()


def test_several_combinations_are_adjusted_together(ladder):
    table = effects([VOLLEY, ATTACK], ladder, by="player", permutations=49)
    assert len(table) == 8
    np.testing.assert_allclose(table["p_adjusted"], false_discovery_control(table["p"]))
    with pytest.raises(DataError, match="at least one"):
        effects([], ladder)


def test_refusals(ladder):
    loose = Combination("loose", [Step.own(stroke="drive"), Step.reply(), Step.own(ball="loose")])
    with pytest.raises(DataError, match="nothing that the player decides"):
        loose.effect(ladder)
    with pytest.raises(DataError, match="'player' or None"):
        ATTACK.effect(ladder, by="match")
    with pytest.raises(DataError, match="'all' or 'first'"):
        ATTACK.effect(ladder, tries="last")
    with pytest.raises(DataError, match="permutations is -1"):
        ATTACK.effect(ladder, permutations=-1)


@pytest.mark.slow
def test_intervals_cover_a_planted_effect(study):
    """A short version of the study: 30 ladders, intervals of six players each."""
    runs = [study.effect_run(k, 0.15, permutations=0) for k in range(30)]
    table = pd.concat(runs)
    known = table[(table["who"] == "one player") & (table["tries"] == "all")]
    assert len(known) == 180
    # 95 in 100; 90.1 is three standard errors below for 180 independent intervals
    assert known["covered"].mean() > 0.901
    assert abs(known["error"].mean()) < 0.02
    # half of the intervals would be as much of a fault as too many misses
    assert known["covered"].mean() < 1.0
