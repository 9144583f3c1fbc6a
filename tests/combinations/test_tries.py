from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import Combination, Step
from sidewall.combinations.step import variants
from sidewall.combinations.tries import break_words
from sidewall.errors import DataError
from sidewall.features import wilson_interval
from sidewall.features.rates import clustered_rate

TWO = Combination(
    "two drives", [Step.own(stroke="drive"), Step.any_reply(), Step.own(stroke="drive")]
)


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


def slow_tries(shots, steps, player, meeting):
    """Every try by loops over the shots of each rally, with the rows of its matched shots."""
    told = sw.shot_features(shots)
    records = told.to_dict("records")
    ways = list(variants(steps))
    tries = []
    for _, rally in told.reset_index(drop=True).groupby(["match", "game", "rally"], sort=False,
                                                        observed=True):  # fmt: skip
        rows, finished_until = list(rally.index), {}
        winner = records[rows[-1]]["rally_won_by"]
        for at, start in enumerate(rows):
            best = None
            for way in ways:
                met, why = [], "finished"
                for j, k in enumerate(way):
                    if at + j >= len(rows):
                        why = "rally over"
                        break
                    met_it = meeting(records[start + j], steps[k].conditions)
                    if not met_it:
                        why = "another shot" if met_it is False else "not charted"
                        break
                    met.append(k)
                by = "player" if steps[way[0]].by == "own" else "opponent"
                owner = records[start][by]
                if not met or (player is not None and owner != player):
                    continue
                score = (why == "finished", len(met))
                if best is None or score > best[0]:
                    best = score, met, why, owner, steps[way[0]].by
            if best is None:
                continue
            _, met, why, owner, by = best
            first = records[start]
            tries.append({
                "player": owner,
                "opponent": first["opponent" if by == "own" else "player"],
                **{name: first[name] for name in ("match", "game", "rally", "rally_id", "shot")},
                "shots": len(met), "reached": met[-1] + 1, "finished": why == "finished",
                "stopped": why, "inside_earlier": start <= finished_until.get(owner, -1),
                "won": np.nan if pd.isna(winner) else float(winner == owner),
                "t_s": first["t_s"], "line": first["line"],
                "last_line": records[start + len(met) - 1]["line"], "row": start, "met": met,
            })  # fmt: skip
            if why == "finished":
                end = start + len(met) - 1
                finished_until[owner] = max(end, finished_until.get(owner, -1))
    return tries


WAYS = {
    "in turn": [Step.own(stroke=("drive", "boast")), Step.any_reply(), Step.own(side="forehand")],
    "a reply first": [Step.reply(depth="back"), Step.own(gap_m=(0.3, 0.8))],
    "the middle left out": [
        Step.own(stroke="drive"),
        Step.reply(direction="cross").optional(),
        Step.own(contact="volley", ball="loose").optional(),
        Step.any_reply(),
        Step.own(choice="attack", opponent_lane=("left", "right")),
    ],
    "the ends left out": [
        Step.reply(stroke="drop").optional(), Step.own(lane="left"), Step.reply().optional(),
    ],
    "room": [Step.own(gap_m=(None, 0.5)), Step.reply(room_m=(4.0, None), bounce_depth="front")],
    "a reply at the end": [Step.own(stroke="drive"), Step.any_reply()],
    "one": [Step.own(balance=("set", "jammed"), opponent_depth="middle")],
    "twice the same": [Step.own(ball="tight"), Step.any_reply(), Step.own(ball="tight")],
}  # fmt: skip
EVERY_WAY = pytest.mark.parametrize("steps", WAYS.values(), ids=list(WAYS))


@EVERY_WAY
@pytest.mark.parametrize(("seed", "player"), [(31, None), (32, "Hazel")])
def test_all_at_once_as_one_by_one(hard, meeting, steps, seed, player):
    """All columns of the tries and of their shots, by loops over each rally."""
    shots = hard(seed)
    combination = Combination("any", steps)
    tries = slow_tries(shots, steps, player, meeting)
    assert len(tries) > 5
    wanted = pd.DataFrame(tries)
    for name in ("player", "opponent", "match"):
        wanted[name] = pd.Categorical(wanted[name], categories=shots[name].cat.categories)
    stopped = ["finished", "another shot", "rally over", "not charted"]
    wanted["stopped"] = pd.Categorical(wanted["stopped"], categories=stopped)
    found = combination.find(shots, player)
    wanted = wanted.drop(columns="met")
    pd.testing.assert_frame_equal(found, wanted)
    places = ["t_s", "line"]
    bare = combination.find(shots.drop(columns=places), player)
    pd.testing.assert_frame_equal(bare, wanted.drop(columns=[*places, "last_line"]))

    repeated = len({str(step) for step in steps}) < len(steps)
    words = [f"{k}. {step}" if repeated else str(step) for k, step in enumerate(steps, 1)]
    rows = [
        {
            "try": number, "step": k + 1, "words": words[k], "by": steps[k].by,
            "last": j == len(one["met"]) - 1,
            **{name: one[name] for name in ("stopped", "player", "won")},
            "row": one["row"] + j,
        }
        for number, one in enumerate(tries) for j, k in enumerate(one["met"])
    ]  # fmt: skip
    listed = combination.shots_of(shots, player)
    ours = pd.DataFrame(rows)
    for name, words_of in (("words", words), ("by", ["own", "reply"]), ("stopped", stopped),
                           ("player", shots["player"].cat.categories)):  # fmt: skip
        ours[name] = pd.Categorical(ours[name], categories=words_of)
    pd.testing.assert_frame_equal(listed[list(ours)], ours)
    played = shots.iloc[ours["row"]].reset_index(drop=True)
    for name in set(shots) - {"player", "opponent"}:
        pd.testing.assert_series_equal(listed[name], played[name])
    assert listed["striker"].tolist() == played["player"].tolist()
    assert set(listed) == set(ours) | set(shots) - {"opponent"} | {"striker"}


def rate_of(tries, wanted):
    """Share of tries that are wanted (None: does not count), with its interval, as the rates do."""
    success = [wanted(one) for one in tries]
    value = np.array([np.nan if s is None else float(s) for s in success])
    rally = np.array([one["rally_id"] for one in tries], dtype=np.int64)
    rate = clustered_rate(value, rally, np.zeros(len(tries), dtype=np.int64), 1, 0.9)
    return rate.rate[0], rate.low[0], rate.high[0]


@EVERY_WAY
def test_stages_of_any_log_one_by_one(hard, meeting, steps):
    """All columns of the funnel, apart for each player and match, by loops over the tries."""
    shots = hard(33, matches=3)
    found = Combination("any", steps).funnel(shots, by=("player", "match"), level=0.9)
    tries, last, rows = slow_tries(shots, steps, None, meeting), len(steps), []
    for player, match in product(shots["player"].cat.categories, shots["match"].cat.categories):
        own = [one for one in tries if (one["player"], one["match"]) == (player, match)]
        if not own:
            continue
        stages = []
        for k in range(1, last + 1):
            # who left out the first steps tried all the same, and who finished left out the last
            there = [one for one in own if one["finished"] or k == 1
                     or (one["reached"] >= k and k < last)]  # fmt: skip
            stages.append(own if k == 1 < last else there)
        if last == 1:
            stages = [[one for one in own if one["finished"]]]
        done = stages[-1]
        befores = [own, *stages[:-1], [one for one in done if not np.isnan(one["won"])]]
        stages.append([one for one in done if one["won"] == 1.0])
        labels = ["tried", *(f"step {k}" for k in range(2, last)), "finished"][:last]
        for k, (label, here, before) in enumerate(zip([*labels, "rally won"], stages, befores,
                                                      strict=True)):  # fmt: skip
            result = k == last
            after = [] if result else stages[k + 1]
            stuck = [one for one in here if one not in after and not one["finished"] and not result]
            decided = [one["won"] for one in stuck if not np.isnan(one["won"])]
            wins = rate_of(here, lambda one: None if np.isnan(one["won"]) else one["won"])
            rows.append([
                player, match, label, min(k + 1, last),
                "the player wins the rally" if result else str(steps[k]), len(here), len(before),
                *rate_of(before, lambda one, here=here: one in here),
                *rate_of(own, lambda one, here=here: one in here),
                len({one["rally_id"] for one in here}),
                *((np.nan,) * 3 if result else wins),
                *(sum(one["stopped"] == why for one in stuck)
                  for why in ("another shot", "rally over", "not charted")),
                np.mean(decided) if decided else np.nan,
            ])  # fmt: skip
    wanted = pd.DataFrame(rows, columns=list(found))
    for name in ("player", "match"):
        wanted[name] = wanted[name].astype(shots[name].dtype)
    pd.testing.assert_frame_equal(found, wanted, check_dtype=False)


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
    apart = TWO.funnel(shots, by=("player", "match"))
    assert len(apart) == 0
    assert set(apart) == {*TWO.funnel(shots), "player", "match"}


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


def stages_of(rows):
    columns = ["n_tries", "of", "share_low", "share_high"]
    return pd.DataFrame([(9, 9, 1.0, 1.0), *rows, (0, 9, 0.0, 0.01)], columns=columns)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        # the first row is the tries, the last who won: neither is the break nor its rival
        ([(60, 100, 0.5, 0.7), (30, 60, 0.37, 0.63)],
         "The weakest is step 3, which 30 of 60 tries reach; but step 2 may be as weak: the "
         "intervals overlap."),
        ([(1200, 4000, 0.2, 0.3), (8, 9, 0.31, 1.0)],
         "It breaks at step 2, which 1,200 of 4,000 tries reach."),
        ([(1, 2, 0.3, 0.9), (1, 2, 0.2, 0.3), (1, 2, 0.3, 0.31), (0, 0, 0.1, 0.1), (1, 2, 0.4, 1)],
         "The weakest is step 3, which 1 of 2 tries reach; but step 2 or 4 may be as weak: the "
         "intervals overlap."),
        # of two alike the first
        ([(1, 2, 0.3, 0.5), (1, 2, 0.6, 0.5)], "It breaks at step 2, which 1 of 2 tries reach."),
        ([(1, 1, 0.3, 0.6)], "It breaks at step 2, which 1 of 1 tries reach."),
        ([], "Where it breaks: no tries to tell from."),
        ([(0, 0, np.nan, np.nan)], "Where it breaks: no tries to tell from."),
    ],
)  # fmt: skip
def test_where_it_breaks_in_words(rows, said):
    assert break_words(stages_of(rows)) == said
