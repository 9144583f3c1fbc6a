from __future__ import annotations

import pytest

from sidewall.combinations import Step
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
    ],
)
def test_a_step_reads_as_a_sentence(step, sentence):
    assert str(step) == sentence


def test_what_the_player_decides():
    assert Step.own(stroke="drop", contact="volley", gap_m=(0.3, None)).decided == {"stroke"}
    assert Step.own(contact="volley", side="forehand").decided == {"contact"}
    assert Step.own(gap_m=(0.3, None), opponent_depth="back").decided == set()
    assert Step.own(choice="attack", room_m=(3, None)).decided == {"choice", "room_m"}
