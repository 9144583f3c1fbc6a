from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from sidewall.combinations import Combination, Step
from sidewall.combinations.step import check_steps, variants
from sidewall.errors import DataError


def test_one_word_or_several_in_the_order_of_the_vocabulary():
    assert Step.own(stroke="drop").stroke == ("drop",)
    assert Step.own(stroke=["kill", "drop"]) == Step.own(stroke=("drop", "kill"))


@pytest.mark.parametrize(
    ("build", "named"),
    [
        (lambda: Step.own(stroke="driv"), "'drive'"),
        (lambda: Step.own(direction="crosscourt"), "'cross'"),
        (lambda: Step.reply(contact=["volley", "of the wall"]), "'of the wall'"),
        (lambda: Step.own(strok="drive"), "'stroke'"),
        (lambda: Step.own(depth="middel"), "'middle'"),
        (lambda: Step.own(stroke=[]), "empty"),
        (lambda: Step.own(stroke=3), "a word or several"),
        (lambda: Step("both"), "'own' or 'reply'"),
        (lambda: Step.own(gap_m=(0.8, 0.3)), "from, to"),
        (lambda: Step.own(gap_m=(0.3, 0.3)), "from, to"),
        (lambda: Step.own(gap_m=(None, None)), "from, to"),
        (lambda: Step.own(gap_m=0.5), "from, to"),
        (lambda: Step.own(gap_m=(0.1, 0.3, 0.5)), "from, to"),
        (lambda: Step.own(gap_m=(0.1,)), "from, to"),
        (lambda: Step.own(gap_m="0.5"), "from, to"),
        (lambda: Step.own(gap_m=(-1.0, 2.0)), "from, to"),
        (lambda: Step.own(room_m=(True, None)), "from, to"),
        (lambda: Step.own(gap_m=(0.1, float("nan"))), "from, to"),
    ],
)
def test_what_is_not_understood_is_named(build, named):
    with pytest.raises(DataError, match=named):
        build()


@pytest.mark.parametrize(
    ("step", "sentence"),
    [
        (Step.any_reply(), "the opponent plays any reply"),
        (Step.own(), "the player plays any shot"),
        (Step.own(stroke="drop", choice="attack"), "the player plays a drop as an attack"),
        (Step.own(stroke="lob", choice="reset"), "the player plays a lob as a reset"),
        (
            Step.own(stroke=("drop", "kill"), contact="volley", direction="straight"),
            "the player plays a straight volley drop or kill",
        ),
        (
            Step.reply(direction="cross", depth="back", lane="left", gap_m=(0.3, None)),
            "the opponent plays a cross-court shot from the back left off a ball at least 30 cm "
            "from the side wall",
        ),
        (
            Step.own(choice="attack", ball="loose", balance="set", side="backhand").optional(),
            "the player plays an attacking shot on the backhand off a loose ball while set (may "
            "be left out)",
        ),
        (
            Step.own(stroke="drive", room_m=(3.5, None), opponent_depth="front"),
            "the player plays a drive with the opponent of the striker in the front of the court "
            "to bounce at least 3.5 m from where the other stands",
        ),
        (
            Step.own(stroke="drive", contact="after_bounce"),
            "the player plays a drive after the bounce",
        ),
        (Step.own(choice=("attack", "reset")), "the player plays a shot"),
        (Step.own(choice=("attack", "reset"), stroke="kill"), "the player plays a kill"),
        (Step.own(choice="reset"), "the player plays a resetting shot"),
        (Step.own(choice="attack"), "the player plays an attacking shot"),
        (Step.own(contact="volley"), "the player plays a volley"),
        (Step.own(contact="off_back_wall"), "the player plays a shot off the back wall"),
        (
            Step.own(contact=("volley", "after_bounce"), side=("forehand", "backhand")),
            "the player plays a shot in the air or after the bounce",
        ),
        (
            Step.reply(direction=("straight", "cross")),
            "the opponent plays a straight or cross-court shot",
        ),
        (Step.own(depth="back"), "the player plays a shot from the back of the court"),
        (
            Step.own(lane=("left", "right")),
            "the player plays a shot from the left or right of the court",
        ),
        (
            Step.own(stroke=("back_wall_boast", "skid_boast"), gap_m=(None, 0.5)),
            "the player plays a back-wall boast or skid boast off a ball less than 50 cm from the "
            "side wall",
        ),
        (
            Step.own(gap_m=(0.25, 0.8), opponent_lane="centre"),
            "the player plays a shot off a ball 25 to 80 cm from the side wall with the opponent "
            "of the striker in the centre of the court",
        ),
        (
            Step.own(ball="tight", bounce_depth="front", bounce_lane="left", room_m=(1.5, 3)),
            "the player plays a shot off a tight ball to bounce in the front left to bounce 1.5 to "
            "3 m from where the other stands",
        ),
        (
            Step.reply(bounce_lane="right", room_m=(None, 2)),
            "the opponent plays a shot to bounce in the right of the court to bounce less than 2 m "
            "from where the other stands",
        ),
    ],
)
def test_a_step_reads_as_a_sentence(step, sentence):
    assert str(step) == sentence


def test_what_the_player_decides():
    assert Step.own(stroke="drop", contact="volley", gap_m=(0.3, None)).decided == {"stroke"}
    assert Step.own(contact="volley", side="forehand").decided == {"contact"}
    assert Step.own(gap_m=(0.3, None), opponent_depth="back").decided == set()
    assert Step.own(choice="attack", room_m=(3, None)).decided == {"choice", "room_m"}


def test_lengths_that_no_court_has_and_whole_ones():
    assert Step.own(gap_m=(0, 1), room_m=(3, None)).conditions == {
        "gap_m": (0.0, 1.0), "room_m": (3.0, None),
    }  # fmt: skip
    assert isinstance(Step.own(gap_m=(0, 1)).gap_m[0], float)
    with pytest.raises(DataError, match="gap_m holds 40 m"):
        Step.own(gap_m=(None, 40))
    # a gap is up to the middle of the court, room up to the far corner
    with pytest.raises(DataError, match="gap_m holds 5 m"):
        Step.own(gap_m=(None, 5))
    assert Step.own(room_m=(5, None)).room_m == (5.0, None)
    with pytest.raises(DataError, match="room_m holds 400 m"):
        Step.own(room_m=(400, None))


@pytest.mark.parametrize("seed", range(40))
def test_ways_of_playing_are_all_that_take_turns(seed):
    """Every choice of the optional steps, tried one by one; refused if one can never go."""
    rng = np.random.default_rng(seed)
    by = [("own", "reply")[(k + seed) % 2] for k in range(rng.integers(1, 7))]
    steps = [Step(each, may_be_left_out=bool(rng.random() < 0.6)) for each in by]
    optional = {k for k, step in enumerate(steps) if step.may_be_left_out}
    ways = [
        way for n in range(len(steps), 0, -1) for way in combinations(range(len(steps)), n)
        if set(range(len(steps))) - set(way) <= optional
        and all(by[a] != by[b] for a, b in pairwise(way))
    ]  # fmt: skip
    assert variants(steps) == sorted(
        ways, key=lambda way: (-len(way), sorted(set(range(len(steps))) - set(way)))
    )
    own = any(step.by == "own" and k not in optional for k, step in enumerate(steps))
    stuck = [k for k in sorted(optional) if all(k in way for way in ways)]
    if not own:
        with pytest.raises(DataError, match="own step that is not optional"):
            check_steps(steps)
    elif stuck:
        with pytest.raises(DataError, match=f"Step {stuck[0] + 1} can never be left out"):
            check_steps(steps)
    else:
        check_steps(steps)
        always = [k + 1 for k, step in enumerate(steps) if step.by == "own" and k not in optional]
        first_own = by.index("own") + 1
        decisive = next((k for k in always if k > first_own), always[0])
        assert Combination("any", steps).decisive == decisive
        for k in range(1, len(steps) + 2):
            if k in always:
                assert Combination("any", steps, decisive=k).decisive == k
            else:
                with pytest.raises(DataError, match=f"decisive is {k}; give the number"):
                    Combination("any", steps, decisive=k)


def test_eight_steps_at_most_may_be_left_out():
    turns = [Step.own(), *[Step.reply().optional(), Step.own().optional()] * 4]
    check_steps(turns)
    with pytest.raises(DataError, match="9 optional steps; 8 is the most"):
        check_steps([*turns, Step.reply().optional()])
    with pytest.raises(DataError, match=r"Step 2 is 3; build it"):
        check_steps([Step.own(), 3])
