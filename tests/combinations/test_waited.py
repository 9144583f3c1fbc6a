from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import Combination, Step, attacks_that_should_have_waited, ball_calls
from sidewall.combinations.waited import CALLS
from sidewall.errors import DataError
from sidewall.features.rates import clustered_rate
from sidewall.rallies.states import BallStates

ENDS = ["threshold_low_m", "threshold_high_m"]
COLUMNS = ["player", "side", "family", "status", "threshold_m", *ENDS]


def thresholds(*rows):
    return pd.DataFrame(rows, columns=COLUMNS)


KNOWN = thresholds(
    ("Rowan", "forehand", "ground", "crosses", 0.5, 0.4, 0.6),
    ("Hazel", "forehand", "ground", "not known yet", np.nan, 0.3, np.nan),
    ("Hazel", "backhand", "ground", "attack at any gap", np.nan, np.nan, np.nan),
    ("Rowan", "backhand", "ground", "reset at any gap", np.nan, np.nan, np.nan),
)


@pytest.mark.parametrize(
    ("player", "side", "gap", "call"),
    [
        ("Rowan", "forehand", 0.39, "tight"),
        ("Rowan", "forehand", 0.5, "too close to call"),
        ("Rowan", "forehand", 0.61, "loose"),
        ("Hazel", "forehand", 0.2, "tight"),
        ("Hazel", "forehand", 0.9, "threshold not known"),
        ("Hazel", "backhand", 0.01, "loose"),
        ("Rowan", "backhand", 2.0, "tight"),
        ("Alder", "forehand", 0.5, "threshold not known"),
    ],
)
def test_calls(player, side, gap, call):
    table = pd.DataFrame({"player": [player], "side": [side], "family": ["ground"], "gap_m": [gap]})
    assert CALLS[ball_calls(table, KNOWN)[0]] == call
    assert ball_calls(table.assign(gap_m=np.nan), KNOWN)[0] == -1


def test_strokes_of_all_kinds_taken_together():
    table = pd.DataFrame(
        {"player": ["Rowan"] * 2, "side": "forehand", "family": ["ground", "volley"], "gap_m": 0.1}
    )
    known = KNOWN.assign(family="all strokes")
    assert ball_calls(table, known).tolist() == [0, 0]


def test_counts_by_hand(by_hand):
    def ball(gap, choice):
        return {"stroke": "drop" if choice == "attack" else "lob", "gap_m": gap, "choice": choice}

    drive = {"stroke": "drive", "choice": "reset"}
    hazel = [(0.2, "attack"), (0.2, "reset"), (0.7, "attack"), (0.1, "attack"), (0.1, "reset")]
    parts = [
        by_hand(("Hazel", "serve", drive, {"stroke": "lob"}, ball(*each)), match=f"m{k}")
        for k, each in enumerate(hazel)
    ]
    shots = pd.concat(parts, ignore_index=True)
    shots["match"] = pd.Categorical(shots["match"], categories=shots["match"].unique())
    table = attacks_that_should_have_waited(shots, KNOWN).set_index("player")
    row = table.loc["Hazel"]
    assert row["attacks"] == 3
    assert row["should_have_waited"] == 2
    assert row["threshold_not_known"] == 1
    assert row["tight_resets"] == 2
    assert row["share"] == 1.0  # of the two that could be called
    assert row["status"] == "too few"
    assert np.isnan(row["difference"])
    assert table.loc["Rowan", "attacks"] == 0


def test_cost_of_attacking_tight_balls(study):
    """Winners drawn anew: whoever attacked a tight ball after a length loses more often."""
    rng = np.random.default_rng(12)
    shots = study.ladder(rng, 4, 6)
    names = sorted(shots["player"].astype(str).unique())
    known = thresholds(
        *(
            (name, side, family, "crosses", 0.505, 0.505, 0.505)
            for name in names
            for side in ("forehand", "backhand")
            for family in ("ground", "volley")
        )
    )
    tight = [
        Step.own(stroke="drive"),
        Step.any_reply(),
        Step.own(choice="attack", gap_m=(None, 0.505)),
    ]
    planted, chance = study.plant(shots, -0.3, rng, Combination("tight", tight))
    table = attacks_that_should_have_waited(planted, known, permutations=99)
    everyone = table.iloc[0]
    assert everyone["status"] == "costs"
    assert everyone["difference_high"] < 0 < everyone["share"] < 1
    assert everyone["points_a_game"] < 0
    assert everyone["p"] <= 0.05
    assert everyone["too_close_to_call"] == 0
    assert table["attacks"].iloc[1:].sum() == everyone["attacks"]
    assert table["should_have_waited"].iloc[1:].sum() == everyone["should_have_waited"]
    assert len(chance) == planted["shot"].eq(1).sum()


def test_refusals(by_hand, ladder):
    with pytest.raises(DataError, match="no choice"):
        attacks_that_should_have_waited(by_hand(("Hazel", "serve", "drive")), KNOWN)
    with pytest.raises(DataError, match="no column status"):
        attacks_that_should_have_waited(ladder, KNOWN.drop(columns="status"))


#: One row or none for each player, side and family; the second of two rows does not count.
HARD = thresholds(
    ("Hazel", "forehand", "ground", "crosses", 0.4, 0.3, 0.5),
    ("Hazel", "forehand", "volley", "crosses", 0.4, 0.1, np.nan),
    ("Hazel", "backhand", "ground", "attack at any gap", 0.9, np.nan, np.nan),
    ("Hazel", "backhand", "volley", "reset at any gap", np.nan, 0.0, 0.1),
    ("Rowan", "forehand", "ground", "not known yet", np.nan, 0.5, np.nan),
    ("Rowan", "forehand", "volley", "not known yet", np.nan, np.nan, 0.3),
    ("Rowan", "backhand", "ground", None, np.nan, 0.8, 1.2),
    ("Rowan", "backhand", "volley", "crosses", 1.0, 0.8, 0.8),
    ("Rowan", "backhand", "volley", "crosses", 0.1, 0.0, 0.1),
    ("Alder", "forehand", "ground", "crosses", 1.2, 1.2, 1.2),
    ("Alder", "backhand", "ground", "crosses", 0.8, 0.5, 0.8),
)


def call_of(shot, known):
    """Tight, loose and so on by the words of the docstring; None without a gap."""
    if np.isnan(shot["gap_m"]):
        return None
    together = not set(known["family"]) & {"ground", "volley"}
    for row in known.to_dict("records"):
        if all(row[key] == shot[key] for key in ("player", "side", "family")[: 3 - together]):
            break
    else:
        return "threshold not known"
    if row["status"] in ("attack at any gap", "reset at any gap"):
        return "loose" if row["status"] == "attack at any gap" else "tight"
    if shot["gap_m"] < row["threshold_low_m"]:
        return "tight"
    if shot["gap_m"] > row["threshold_high_m"]:
        return "loose"
    return "too close to call" if row["status"] == "crosses" else "threshold not known"


@pytest.mark.parametrize("known", [HARD, HARD.assign(family="all strokes")], ids=["apart", "one"])
def test_the_whole_table_by_loops(hard, slowly, known):
    """Every column for all and each, with blanks, gaps on the ends, and one who never plays."""
    shots = hard(41, matches=8, rallies=40)
    steps = [Step.own(stroke=("drive", "lob")), Step.any_reply(), Step.own(stroke="drop")]
    slow = slowly(shots, steps, 3, BallStates())
    told = sw.shot_features(shots)
    calls = [call_of(shot, known) for shot in told.to_dict("records")]
    positions = [-1 if each is None else CALLS.index(each) for each in calls]
    assert ball_calls(told, known).tolist() == positions
    assert set(positions) == {-1, 0, 1, 2, 3}
    balls = [(row, shot, calls[row]) for row, shot in slow.after
             if calls[row] and shot["choice"] in ("attack", "reset")]  # fmt: skip
    slow.moments = [(row, shot, shot["choice"] == "attack") for row, shot, call in balls
                    if call == "tight"]  # fmt: skip
    combination, rng, rows = Combination("any", steps), np.random.default_rng(6), []
    for player in (None, *slow.names):
        mine = [one for one in balls if player in (None, one[1]["player"])]
        attacks = [(shot["rally_id"], call) for _, shot, call in mine if shot["choice"] == "attack"]
        count = {call: sum(found == call for _, found in attacks) for call in CALLS}
        clear = [(rally, call == "tight") for rally, call in attacks if call in ("tight", "loose")]
        success = np.array([tight for _, tight in clear], float)
        rally = np.array([rally for rally, _ in clear], np.int64)
        rate = clustered_rate(success, rally, np.zeros(len(clear), np.int64), 1, 0.9)
        effect = slow.row(player, "all", 0.9, 19, rng)
        rows.append({
            "player": player, "attacks": len(attacks), "should_have_waited": count["tight"],
            "too_close_to_call": count["too close to call"], "loose": count["loose"],
            "threshold_not_known": count["threshold not known"], "share": rate.rate[0],
            "share_low": rate.low[0], "share_high": rate.high[0],
            "tight_resets": sum(shot["choice"] == "reset" and call == "tight"
                                for _, shot, call in mine),
            **{name: effect[name] for name in (
                "status", "p", "difference", "difference_low", "difference_high",
                "points_a_game", "points_a_game_low", "points_a_game_high")},
        })  # fmt: skip
    found = attacks_that_should_have_waited(
        shots, known, combination, permutations=19, level=0.9, seed=6
    )
    pd.testing.assert_frame_equal(found, pd.DataFrame(rows), check_dtype=False, rtol=1e-9)
    assert (found["status"] != "too few").any()


def test_what_is_taken_where_nothing_is_said(hard):
    shots = hard(42, matches=3)
    lead_up = Combination.built_in("length then volley")
    usual = attacks_that_should_have_waited(shots, HARD)
    named = attacks_that_should_have_waited(shots, HARD, lead_up, BallStates(), 999, 0.95, 0)
    pd.testing.assert_frame_equal(usual, named)
