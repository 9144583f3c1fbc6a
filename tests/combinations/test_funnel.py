from __future__ import annotations

import numpy as np
import pytest

from sidewall.combinations import Combination, Step
from sidewall.errors import DataError
from sidewall.features import wilson_interval

VOLLEY = Combination.built_in("length then volley")


def test_by_hand(by_hand):
    two = Combination("two", [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drop")])
    shots = by_hand(
        ("Hazel", "serve", "drive", "lob", "drop"),
        ("Rowan", "serve", "boast", "drive", "lob", "drop", "lob"),
        (None, "serve", "drive", "lob", "drop"),
        ("Rowan", "serve", "drive"),
        ("Hazel", "serve", "drive", "lob", "lob"),
    )
    table = two.funnel(shots).set_index("stage")
    assert list(table.index) == ["tried", "step 2", "finished", "rally won"]
    assert table["n"].tolist() == [5, 4, 3, 1]
    assert table["of"].tolist() == [5, 5, 4, 2]  # one of the three finished ended in a let
    np.testing.assert_allclose(table["share"], [1, 0.8, 0.75, 0.5])
    np.testing.assert_allclose(table["of_tried"], [1, 0.8, 0.6, 0.2])
    low, high = wilson_interval(table["n"], table["of"])
    np.testing.assert_array_equal(table["share_low"], low)
    np.testing.assert_array_equal(table["share_high"], high)
    assert table["rally_over"].tolist() == [1, 0, 0, 0]
    assert table["another_shot"].tolist() == [0, 1, 0, 0]
    assert table["rallies"].tolist() == [5, 4, 3, 1]
    assert table.loc["finished", "win_rate"] == 0.5


def test_tries_add_up(ladder):
    whole = VOLLEY.funnel(ladder)
    parts = VOLLEY.funnel(ladder, by="player")
    assert parts.groupby("stage")["n"].sum().to_dict() == whole.set_index("stage")["n"].to_dict()
    stopped = whole[["another_shot", "rally_over", "not_charted"]].to_numpy().sum()
    assert stopped + whole.loc[whole["stage"] == "finished", "n"].item() == whole["n"][0]
    both = VOLLEY.funnel(ladder, by=["player", "match"])
    assert both["n"].sum() == whole["n"].sum()
    assert list(both.columns[:2]) == ["player", "match"]
    one = VOLLEY.funnel(ladder, player="Cedar")
    mine = parts[parts["player"] == "Cedar"].reset_index(drop=True)
    assert one["n"].tolist() == mine["n"].tolist()


def test_tries_of_a_rally_share_its_result(ladder):
    row = VOLLEY.funnel(ladder).iloc[0]
    low, high = wilson_interval(row["win_rate"] * row["n"], row["n"])
    assert row["win_rate_high"] - row["win_rate_low"] > high - low


def test_optional_steps_that_were_left_out_count_as_passed(by_hand):
    steps = [
        Step.own(stroke="drive"),
        Step.reply(stroke="lob").optional(),
        Step.own(stroke="boast").optional(),
        Step.reply(stroke="boast"),
        Step.own(stroke="drop"),
    ]
    shots = by_hand(("Hazel", "serve", "drive", "boast", "drop"))
    table = Combination("short cut", steps).funnel(shots)
    assert table["n"].tolist() == [1, 1, 1, 1, 1, 1]


def test_a_single_step(by_hand):
    table = Combination("drop", [Step.own(stroke="drop")]).funnel(
        by_hand(("Hazel", "serve", "drop"), ("Hazel", "serve", "drop"))
    )
    assert table["stage"].tolist() == ["tried", "rally won"]
    assert table["n"].tolist() == [2, 1]


def test_unknown_column(ladder):
    with pytest.raises(DataError, match="no column 'colour'"):
        VOLLEY.funnel(ladder, by="colour")
