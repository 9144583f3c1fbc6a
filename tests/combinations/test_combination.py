from __future__ import annotations

import pytest

from sidewall.combinations import BUILT_IN, Combination, Step
from sidewall.combinations.step import variants
from sidewall.errors import DataError

OWN, REPLY = Step.own(stroke="drive"), Step.any_reply()


@pytest.mark.parametrize(
    ("steps", "mend"),
    [
        ([], "at least one step"),
        ([OWN, OWN], r"Put Step.any_reply\(\) between"),
        ([REPLY, REPLY, OWN], r"Put Step.own\(\) between"),
        ([REPLY], "own step that is not optional"),
        ([OWN.optional(), REPLY.optional()], "own step that is not optional"),
        ([OWN, REPLY.optional(), OWN], "step beside it optional"),
        (["drive"], "Step.own or Step.reply"),
    ],
)
def test_steps_that_no_rally_can_follow(steps, mend):
    with pytest.raises(DataError, match=mend):
        Combination("wrong", steps)


def test_optional_steps_go_two_by_two_or_from_an_end():
    middle = [OWN, REPLY.optional(), OWN.optional(), REPLY, OWN]
    assert variants(middle) == [(0, 1, 2, 3, 4), (0, 3, 4)]
    assert variants([REPLY.optional(), OWN, REPLY.optional()]) == [
        (0, 1, 2), (1, 2), (0, 1), (1,),
    ]  # fmt: skip


def test_decisive_step():
    assert Combination("a", [OWN, REPLY, OWN, REPLY, OWN]).decisive == 3
    assert Combination("b", [REPLY, OWN]).decisive == 2
    assert Combination("c", [OWN]).decisive == 1
    assert Combination("d", [OWN, REPLY.optional(), OWN.optional(), REPLY, OWN]).decisive == 5
    assert Combination("e", [OWN, REPLY, OWN, REPLY, OWN], decisive=5).decisive == 5
    for wrong in (2, 7, -1):
        with pytest.raises(DataError, match="Own steps here: 1, 3"):
            Combination("f", [OWN, REPLY, OWN], decisive=wrong)


def test_a_name_is_needed():
    with pytest.raises(DataError, match="needs a name"):
        Combination(" ", [OWN])


def test_built_in_ones_say_what_they_are():
    assert len(BUILT_IN) == 3
    for name, each in BUILT_IN.items():
        assert each.name == name
        assert Combination.built_in(name) is each
        assert "no source" in each.description
        assert each.sentence().startswith("The player plays a ")
        assert each.sentence().count(";") == len(each.steps) - 1
    with pytest.raises(DataError, match="length then volley"):
        Combination.built_in("length then voley")


def test_conditions_that_are_not_charted_can_be_left_out(by_hand, ladder):
    four = Combination.built_in("length, volley short, cover, empty corner")
    assert four.as_charted(ladder) is four
    plain = by_hand(("Rowan", "serve", "drive straight", "drive cross"))
    with pytest.raises(DataError, match="bounce_x_m"):
        four.find(plain)
    fewer = four.as_charted(plain)
    assert fewer.steps[:4] == four.steps[:4]
    assert fewer.steps[4] == Step.own()
    assert "room_m" in fewer.description
    assert len(fewer.find(plain)) == 2
