from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.combinations import Combination, Step, attacks_that_should_have_waited, ball_calls
from sidewall.combinations.waited import CALLS
from sidewall.errors import DataError

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
