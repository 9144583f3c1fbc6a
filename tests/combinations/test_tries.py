from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import Combination, Step
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import variants
from sidewall.combinations.tries import break_words, breaks_at
from sidewall.errors import DataError
from sidewall.features import wilson_interval

TWO = Combination(
    "two drives", [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drive")]
)


def random_log(*args, **kwargs):
    path = Path(__file__).parents[1] / "features" / "conftest.py"
    spec = importlib.util.spec_from_file_location("features_conftest", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.random_log(*args, **kwargs)


def test_by_hand(by_hand):
    shots = by_hand(
        # Rowan serves; Hazel's drives are shots 2, 4, 6
        ("Hazel", "serve", "drive", "drop", "drive", "lob", "drive", "drive"),
        ("Rowan", "serve", "drive", "drive", "drop"),
        (None, "serve", "drive"),
    )
    found = TWO.find(shots)
    who = ["Hazel", "Hazel", "Hazel", "Rowan", "Rowan", "Hazel", "Hazel"]
    assert found["player"].tolist() == who
    assert found["shot"].tolist() == [2, 4, 6, 7, 2, 3, 2]
    assert found["shots"].tolist() == found["reached"].tolist() == [3, 3, 2, 1, 2, 2, 1]
    assert found["finished"].tolist() == [True, True, *[False] * 5]
    over = "rally over"
    assert found["stopped"].tolist()[2:] == [over, over, "another shot", over, over]
    # shot 4 ends the first try and begins the second; shot 6 ends that one
    assert found["inside_earlier"].tolist() == [False, True, True, *[False] * 4]
    np.testing.assert_array_equal(found["won"], [1, 1, 1, 0, 1, 0, np.nan])
    assert found["t_s"].tolist() == [11.0, 13.0, 15.0, 16.0, 21.0, 22.0, 31.0]
    assert found["line"].tolist() == [3, 5, 7, 8, 10, 11, 14]
    assert (shots["line"].to_numpy()[found["row"]] == found["line"]).all()
    only = TWO.find(shots, player="Rowan")
    pd.testing.assert_frame_equal(only, found[found["player"] == "Rowan"].reset_index(drop=True))


def test_a_combination_may_begin_with_a_reply(by_hand):
    answer = Combination("answer", [Step.reply(stroke="boast"), Step.own(stroke="drop")])
    shots = by_hand(("Hazel", "serve", "boast", "drop"), ("Hazel", "serve", "boast", "drive"))
    found = answer.find(shots)
    assert found["player"].tolist() == ["Rowan", "Hazel"]
    assert found["opponent"].tolist() == ["Hazel", "Rowan"]
    assert found["finished"].tolist() == [True, False]
    assert found["won"].tolist() == [0.0, 1.0]


def test_what_was_not_charted_does_not_meet_a_step(by_hand):
    step = [Step.own(stroke="drive"), Step.reply(direction="cross")]
    shots = by_hand(
        ("Hazel", "serve", "drive", "drive"),
        ("Hazel", "serve", "drive", "drive cross"),
        ("Hazel", "serve", "drive", "drive straight"),
    )
    found = Combination("a", step).find(shots).groupby("rally").first()
    assert found["stopped"].tolist() == ["not charted", "finished", "another shot"]


def slowly(shots, combination):
    """The same by loops: best way of playing from every shot."""
    columns = ShotColumns(shots)
    met = [columns.meets(step)[0] for step in combination.steps]
    ways = variants(combination.steps)
    rows = []
    for start in range(len(shots)):
        left = int(columns.left[start])
        best = None
        for way in ways:
            matched = 0
            while matched < len(way) and matched <= left and met[way[matched]][start + matched]:
                matched += 1
            score = (matched == len(way), matched)
            if matched and (best is None or score > best[0]):
                best = (score, way[matched - 1] + 1, combination.steps[way[0]].by)
        if best is not None:
            (done, matched), reached, by = best
            who = shots["player" if by == "own" else "opponent"].iloc[start]
            rows.append((start, matched, reached, done, who))
    return pd.DataFrame(rows, columns=["row", "shots", "reached", "finished", "player"])


@pytest.mark.parametrize(
    "steps",
    [
        [Step.own(stroke=("drive", "boast")), Step.any_reply(), Step.own(side="forehand")],
        [Step.reply(depth="back"), Step.own(gap_m=(0.3, 1.0))],
        [
            Step.own(stroke="drive"),
            Step.reply(direction="cross").optional(),
            Step.own(contact="volley", ball="loose").optional(),
            Step.any_reply(),
            Step.own(choice="attack", opponent_lane=("left", "right")),
        ],
        [Step.reply(stroke="drop").optional(), Step.own(lane="left"), Step.reply().optional()],
    ],
)
def test_all_at_once_as_one_by_one(steps):
    shots = random_log(150, seed=4)
    combination = Combination("any", steps)
    found = combination.find(shots)
    wanted = slowly(shots, combination)
    assert len(found) > 50
    assert found["finished"].any()
    for column in wanted.columns:
        assert found[column].tolist() == wanted[column].tolist()


@pytest.mark.parametrize(
    "combination",
    # the second ends with the opponent's shot: the next try may begin right behind it
    [TWO, Combination("drive and reply", [Step.own(stroke="drive"), Step.any_reply()])],
    ids=lambda combination: combination.name,
)
def test_starts_inside_an_earlier_finished_try(combination):
    found = combination.find(random_log(200, seed=2))
    right_behind = False
    for (_, player), tries in found.groupby(["rally_id", "player"], observed=True):
        end = -1
        for row in tries.itertuples():
            assert row.inside_earlier == (row.row <= end), player
            right_behind |= row.row == end + 1
            if row.finished:
                end = max(end, row.row + row.shots - 1)
    assert right_behind == (combination is not TWO)


def test_every_matched_shot(ladder):
    four = Combination.built_in("length, volley short, cover, empty corner")
    found, shots = four.find(ladder), four.shots_of(ladder)
    assert len(shots) == found["shots"].sum()
    assert shots.groupby("step").size().tolist() == [
        (found["reached"] >= k).sum() for k in range(1, 6)
    ]
    own = shots["by"] == "own"
    assert (shots["striker"].astype(str) == shots["player"].astype(str))[own].all()
    assert (shots["striker"].astype(str) != shots["player"].astype(str))[~own].all()
    assert (shots["words"].cat.codes == shots["step"] - 1).all()
    assert shots["last"].sum() == len(found)
    pd.testing.assert_series_equal(
        shots["t_s"], ladder["t_s"].iloc[shots["row"]].reset_index(drop=True)
    )


@pytest.mark.parametrize(
    ("steps", "by"),
    [
        ([Step.own(stroke="drive"), Step.reply(stroke="lob")], ["own", "reply"]),
        ([Step.reply(stroke="drive"), Step.own(stroke="lob")], ["reply", "own"]),
        # the first step left out, so that the player begins
        ([Step.reply(stroke="boast").optional(), Step.own(stroke="drop")], ["own"]),
    ],
)
def test_whose_each_shot_is_follows_from_who_begins(by_hand, steps, by):
    shots = by_hand(("Hazel", "serve", "drive", "lob"), ("Hazel", "serve", "drop"))
    assert Combination("two", steps).shots_of(shots)["by"].tolist() == by


def test_tight_and_loose_by_the_players_own_threshold(by_hand):
    shots = by_hand(("Hazel", "serve", *[{"stroke": "drive", "gap_m": 0.4}] * 2))
    own = Combination("loose", [Step.own(ball="loose")])
    assert len(own.find(shots)) == 0
    known = pd.DataFrame(
        {"player": ["Rowan"], "side": ["forehand"], "family": ["ground"], "threshold_m": [0.3]}
    )
    found = own.find(shots, loose=sw.LooseBall(known))
    assert found["player"].tolist() == ["Rowan"]


def test_room_is_from_the_bounce_to_the_opponent(by_hand):
    shot = {"stroke": "drop", "bounce_x_m": 0.5, "bounce_y_m": 1.0, "opponent_x_m": 3.5}
    far, near = {**shot, "opponent_y_m": 5.0}, {**shot, "opponent_y_m": 1.0}
    found = Combination("room", [Step.own(room_m=(4.0, None))]).find(
        by_hand(("Hazel", "serve", far, near))
    )
    assert found["shot"].tolist() == [2]  # 5 m away; the next one 3 m


@pytest.mark.parametrize(
    ("step", "named"),
    [
        (Step.own(balance="set"), "no column balance: chart balance"),
        (Step.own(room_m=(3, None)), "no column bounce_x_m, bounce_y_m, opponent_x_m"),
        (Step.own(depth="back"), "depth, which the log tells for no shot: chart the contact point"),
        (Step.own(lane="left"), "lane, which the log tells for no shot"),
        (Step.own(choice="attack"), "choice, which the log tells for no shot"),
    ],
)
def test_what_the_log_lacks_is_named_with_the_mend(by_hand, step, named):
    with pytest.raises(DataError, match=named):
        Combination("a", [step]).find(by_hand(("Hazel", "serve", "drive")))


def test_refusals(by_hand):
    shots = by_hand(("Hazel", "serve", "drive"))
    with pytest.raises(DataError, match="there is no player 'Oak' here; known: Rowan, Hazel"):
        TWO.find(shots, player="Oak")
    with pytest.raises(DataError, match="not whole"):
        TWO.find(shots.iloc[1:])


def test_no_shots(by_hand):
    shots = by_hand(("Hazel", "serve", "drive")).iloc[:0]
    assert len(TWO.find(shots)) == 0
    assert TWO.funnel(shots)["n_tries"].tolist() == [0, 0, 0, 0]
    assert len(TWO.shots_of(shots)) == 0


VOLLEY = Combination.built_in("length then volley")


def test_stages_by_hand(by_hand):
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
    assert table["n_tries"].tolist() == [5, 4, 3, 1]
    assert table["of"].tolist() == [5, 5, 4, 2]  # one of the three finished ended in a let
    np.testing.assert_allclose(table["share"], [1, 0.8, 0.75, 0.5])
    np.testing.assert_allclose(table["of_tried"], [1, 0.8, 0.6, 0.2])
    # a try a rally: of n rallies n - 1 tell a variance, but where all agree
    effective = np.array([5, 4, 3, 1])
    low, high = wilson_interval(table["share"] * effective, effective)
    np.testing.assert_allclose(table["share_low"], low)
    np.testing.assert_allclose(table["share_high"], high)
    assert table["rally_over"].tolist() == [1, 0, 0, 0]
    assert table["another_shot"].tolist() == [0, 1, 0, 0]
    assert table["n_rallies"].tolist() == [5, 4, 3, 1]
    assert table.loc["finished", "win_rate"] == 0.5


def test_tries_add_up(ladder):
    whole = VOLLEY.funnel(ladder)
    parts = VOLLEY.funnel(ladder, by="player")
    tries = whole.set_index("stage")["n_tries"]
    assert parts.groupby("stage")["n_tries"].sum().to_dict() == tries.to_dict()
    stopped = whole[["another_shot", "rally_over", "not_charted"]].to_numpy().sum()
    assert stopped + tries["finished"] == tries["tried"]
    both = VOLLEY.funnel(ladder, by=["player", "match"])
    assert both["n_tries"].sum() == whole["n_tries"].sum()
    assert list(both.columns[:2]) == ["player", "match"]
    one = VOLLEY.funnel(ladder, player="Cedar")
    mine = parts[parts["player"] == "Cedar"].reset_index(drop=True)
    assert one["n_tries"].tolist() == mine["n_tries"].tolist()


def test_tries_of_a_rally_share_its_result(ladder):
    row = VOLLEY.funnel(ladder).iloc[0]
    low, high = wilson_interval(row["win_rate"] * row["n_tries"], row["n_tries"])
    assert row["win_rate_high"] - row["win_rate_low"] > high - low


def test_tries_of_a_rally_go_on_together(by_hand):
    """Two tries in each of 30 rallies go on, one in each of 30 others does not.

    Each rally is off the share of 2 in 3 by 2 / 3 of a try, so the share's variance is
    60 / 59 * 60 * 4 / 9 / 90^2, as of 66 tries on their own, not 90.
    """
    good = ("Hazel", "serve", "drive", "lob", "drive", "lob", "drive")
    bad = ("Hazel", "serve", "drive", "lob", "lob", "lob")
    row = TWO.funnel(by_hand(*[good, bad] * 30)).set_index("stage").loc["finished"]
    assert (row["n_tries"], row["of"], row["n_rallies"]) == (60, 90, 30)
    low, high = wilson_interval(60, 90)
    wider = (row["share_high"] - row["share_low"]) / (high - low)
    assert wider == pytest.approx(np.sqrt(90 / 66), rel=0.02)


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
    assert table["n_tries"].tolist() == [1, 1, 1, 1, 1, 1]


def test_a_single_step(by_hand):
    table = Combination("drop", [Step.own(stroke="drop")]).funnel(
        by_hand(("Hazel", "serve", "drop"), ("Hazel", "serve", "drop"))
    )
    assert table["stage"].tolist() == ["tried", "rally won"]
    assert table["n_tries"].tolist() == [2, 1]


def test_unknown_column(ladder):
    with pytest.raises(DataError, match="no column 'colour'"):
        VOLLEY.funnel(ladder, by="colour")


def test_that_a_rally_is_lost_at_the_end_breaks_no_step():
    """The last row is who won, after every step: it is neither the break nor its rival."""
    rows = [(100, 100, 1.0, 1.0), (60, 100, 0.50, 0.70), (30, 60, 0.37, 0.63), (1, 30, 0.0, 0.17)]
    stages = pd.DataFrame(rows, columns=["n_tries", "of", "share_low", "share_high"])
    assert breaks_at(stages.to_dict("records")) == 2
    assert break_words(stages) == (
        "The weakest is step 3, which 30 of 60 tries reach; but step 2 may be as weak: the "
        "intervals overlap."
    )
    # steps that nobody tried tell nothing
    assert breaks_at(stages.assign(of=0).to_dict("records")) is None
