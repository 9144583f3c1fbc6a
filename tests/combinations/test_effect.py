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
    kinds = {
        (winner, shot): by_hand((winner, "serve", "drive", "lob", shot), match=match)
        for winner, shot in set(results)
    }
    table = pd.concat([kinds[each] for each in results], ignore_index=True)
    return table.assign(game=np.repeat(np.arange(len(results)) + 1, 4))


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
    assert table["combination"].tolist() == [VOLLEY.name] * 4 + [ATTACK.name] * 4
    assert table.index.tolist() == list(range(8))
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


ASKED = {
    "attack": (ATTACK.steps, 3),
    "stroke of some balls": (
        [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drop", side="forehand")], 3,
    ),
    "met in the air": ([Step.reply(gap_m=(0.1, None)), Step.own(contact="volley")], 2),
    "from the start": ([Step.own(direction="cross", gap_m=(None, 1.2))], 1),
    "a way left out": (
        [Step.own(stroke="drive").optional(), Step.reply().optional(), Step.own(stroke="drive"),
         Step.reply(), Step.own(choice=("attack",), bounce_depth="front")], 5,
    ),
}  # fmt: skip


@pytest.mark.parametrize(("steps", "decisive"), ASKED.values(), ids=list(ASKED))
def test_every_number_of_the_effect_by_loops(hard, slowly, steps, decisive):
    """All players and each, whose first never plays, with lets, blanks and unknown states."""
    shots = hard(51, matches=7, rallies=60 if decisive == 3 else 30)
    usual = BallStates(bands_m=(0.3, 0.8))

    def in_one(table):
        return usual(table.assign(family="ground"))

    state = in_one if steps[decisive - 1].decided == {"contact"} else usual
    combination = Combination("any", steps, decisive=decisive)
    slow = slowly(shots, steps, decisive, state)
    told = 0
    for options in ({"by": "player"}, {"tries": "first"}, {"player": "Hazel", "level": 0.8}):
        found = combination.effect(shots, permutations=19, seed=4, **options)
        rng = np.random.default_rng(4)
        everyone = slow.names if "by" in options else [options.get("player")]
        how = options.get("tries", "all"), options.get("level", 0.95), 19, rng
        wanted = pd.DataFrame([slow.row(each, *how) for each in everyone])
        assert (found.pop("combination") == "any").all()
        if "by" in options:
            known = wanted["p"].notna()
            wanted.loc[known, "p_adjusted"] = false_discovery_control(wanted["p"][known])
        pd.testing.assert_frame_equal(found, wanted[list(found)], check_dtype=False, rtol=1e-9)
        assert set(found) == set(wanted)
        told += (found["status"] != "too few").sum()
    assert told or decisive > 2
    moments = decisive_moments(ShotColumns(shots), steps, decisive, 2)
    assert moments.row.tolist() == [r for r, s, _ in slow.moments if s["player"] == "Hazel"]
    assert moments.not_charted.tolist() == [r for r, who in slow.unsure if who == "Hazel"]


def test_the_p_value_takes_so_many_permutations_of_that_seed(ladder):
    """As asked for by default: 999 of seed 0, all tries, no state of one's own, 95 in 100."""
    usual = ATTACK.effect(ladder)
    named = ATTACK.effect(ladder, None, None, None, None, None, "all", 999, 0.95, 0)
    pd.testing.assert_frame_equal(usual, named)
    assert (usual["p"] * 1000).round(9).mod(1).eq(0).all()


def test_an_empty_log_has_no_games(hard):
    found = ATTACK.effect(hard(1).iloc[:0], permutations=0).iloc[0]
    assert (found["games"], found["played_on"], found["status"]) == (0, 0, "too few")
    assert np.isnan(found["tries_a_game"])
