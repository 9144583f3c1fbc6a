from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.combinations import BUILT_IN, Combination, Step
from sidewall.combinations.step import CONDITIONS
from sidewall.errors import DataError

OWN, REPLY = Step.own(stroke="drive"), Step.any_reply()


@pytest.mark.parametrize(
    ("steps", "mend"),
    [
        ([], "at least one step"),
        ([OWN, OWN], r"Put Step.any_reply\(\) between"),
        ([REPLY, REPLY, OWN], r"Put Step.own\(\) between"),
        ([OWN, REPLY, OWN, OWN], "Steps 3 and 4 are both by 'own'"),
        ([REPLY], "own step that is not optional"),
        ([OWN.optional(), REPLY.optional()], "own step that is not optional"),
        ([OWN, REPLY.optional(), OWN], "step beside it optional"),
        (["drive"], "Step.own or Step.reply"),
    ],
)
def test_steps_that_no_rally_can_follow(steps, mend):
    with pytest.raises(DataError, match=mend):
        Combination("wrong", steps)


def test_a_name_is_needed():
    for name in (" ", "", 3, None):
        with pytest.raises(DataError, match="needs a name"):
            Combination(name, [OWN])


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
    assert fewer.description == (
        f"{four.description} Not charted, so not asked: room_m: chart the first bounce (bounce_x, "
        "bounce_y), and chart where the opponent stands at contact (opponent_x, opponent_y)."
    )
    asked = [Step.own(balance="set", room_m=(1, None), stroke="drive")]
    assert Combination("two", asked).as_charted(plain).description == (
        "Not charted, so not asked: balance: chart balance (set, stretched, jammed); room_m: chart "
        "the first bounce (bounce_x, bounce_y), and chart where the opponent stands at contact "
        "(opponent_x, opponent_y)."
    )
    assert len(fewer.find(plain)) == 2


@pytest.mark.parametrize("charted", ["all", "one", "none"])
def test_a_length_is_asked_for_where_one_shot_has_it(by_hand, charted):
    shots = by_hand(("Rowan", "serve", "drive straight", "drive cross"))
    gap_m = {"all": 0.4, "one": [np.nan, 0.4, np.nan], "none": np.nan}[charted]
    loose = Combination("loose", [Step.own(gap_m=(0.3, None))])
    fewer = loose.as_charted(shots.assign(gap_m=gap_m))
    assert (fewer is loose) == (charted != "none")
    assert fewer.steps[0] == (Step.own() if charted == "none" else loose.steps[0])


def conditions():
    metres = st.floats(0.0, 1.5, allow_subnormal=False)
    ranges = st.one_of(
        st.tuples(metres, st.none()),
        st.tuples(st.none(), metres),
        st.tuples(metres, st.floats(1.6, 3.2)),
    )
    asked = {
        name: st.lists(st.sampled_from(each.words), min_size=1, unique=True)
        if each.words
        else ranges
        for name, each in CONDITIONS.items()
    }
    return st.fixed_dictionaries({}, optional=asked)


text = st.text(st.characters(blacklist_categories=("Cs",)), max_size=30)


@settings(max_examples=50, deadline=None)
@given(
    name=text.filter(str.strip),
    description=text,
    asked=st.lists(conditions(), min_size=1, max_size=5),
    optional=st.booleans(),
)
def test_round_trip(name, description, asked, optional):
    steps = [(Step.own, Step.reply)[k % 2](**each) for k, each in enumerate(asked)]
    if optional and len(steps) > 1:
        steps[-1] = steps[-1].optional()
    written = Combination(name, steps, description)
    assert Combination.from_toml(written.to_toml()) == written


def test_files(tmp_path):
    for k, each in enumerate(BUILT_IN.values()):
        path = tmp_path / f"{k}.toml"
        each.write(path)
        assert Combination.read(path) == each


def test_the_text_that_is_written():
    """As at the head of the module: ends that are open and what is not asked do not stand there."""
    steps = [
        Step.own(stroke=["lob", "drive"]),
        Step.reply(gap_m=(None, 0.8)).optional(),
        Step.own(contact="volley", gap_m=(0.3, 1), room_m=(2, None)).optional(),
    ]
    described = Combination('a "b"', steps, "c\x7f\n")
    plain = Combination("é", steps[:1])
    assert plain.to_toml() == (
        'name = "é"\ndecisive = 1\n\n[[step]]\nby = "own"\nstroke = ["drive", "lob"]\n'
    )
    assert described.to_toml() == (
        'name = "a \\"b\\""\ndescription = "c\\u007f\\n"\ndecisive = 1\n'
        '\n[[step]]\nby = "own"\nstroke = ["drive", "lob"]\n'
        '\n[[step]]\nby = "reply"\noptional = true\ngap_m = { to = 0.8 }\n'
        '\n[[step]]\nby = "own"\noptional = true\ncontact = "volley"\n'
        "gap_m = { from = 0.3, to = 1.0 }\nroom_m = { from = 2.0 }\n"
    )
    assert Combination.from_toml('name = "x"\n[[step]]\nby = "own"') == Combination(
        "x", [Step.own()], "", 1
    )


def test_those_built_in_say_what_is_common_practice():
    assert [each.sentence() for each in BUILT_IN.values()] == [
        "The player plays a drive; the opponent plays any reply; the player plays a volley drop or "
        "kill; the opponent plays a cross-court shot; the player plays a shot to bounce at least "
        "3.5 m from where the other stands.",
        "The player plays a drive; the opponent plays any reply; the player plays a volley.",
        "The player plays a drop; the opponent plays a drop; the player plays a drop.",
    ]
    assert [each.decisive for each in BUILT_IN.values()] == [3, 3, 3]


HEAD = 'name = "two"\n[[step]]\nby = "own"\n'


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("name = ", "no valid TOML"),
        ('[[step]]\nby = "own"', "name is missing"),
        ('name = "two"', "step is missing"),
        ('name = "two"\nstep = 3', "step is missing"),
        ('name = "two"\nstep = [3]', "step 1 is 3"),
        ('nam = "two"\n[[step]]\nby = "own"', "nam is not understood; did you mean 'name'"),
        (HEAD + 'strok = "drive"', "step 1, strok is not understood; did you mean 'stroke'"),
        (HEAD + 'stroke = "driv"', "step 1, stroke: 'driv' is not known; did you mean 'drive'"),
        (HEAD + "stroke = 3", "step 1, stroke is 3"),
        (HEAD + "gap_m = 0.3", "step 1, gap_m is 0.3; write { from = 0.3"),
        (HEAD + "gap_m = { low = 0.3 }", "step 1, gap_m: low is not understood"),
        (HEAD + "gap_m = { from = 0.8, to = 0.3 }", "step 1, gap_m is"),
        (HEAD + 'optional = "yes"', "step 1, optional is 'yes'"),
        (HEAD + '[[step]]\nby = "them"', "step 2, by is 'them'"),
        (HEAD + '[[step]]\nby = "own"', "take turns"),
        ("decisive = true\n" + HEAD, "decisive is True"),
        ("decisive = 1.0\n" + HEAD, "decisive is 1.0"),
        ('name = " "\n[[step]]\nby = "own"', "name is missing"),
        ('name = 3\n[[step]]\nby = "own"', "name is missing"),
        ('name = "two"\nstep = []', "step is missing"),
        (HEAD + '[[step]]\nby = "reply"\nlane = "lef"', "step 2, lane: 'lef' is not known"),
        (HEAD + "room_m = {}", "step 1, room_m is"),
        ("description = 3\n" + HEAD, "description is 3"),
    ],
)
def test_errors_name_the_key(tmp_path, text, named):
    with pytest.raises(DataError, match=named):
        Combination.from_toml(text)
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match=named):
        Combination.read(path)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(DataError, match="cannot be read"):
        Combination.read(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    with pytest.raises(DataError, match=r"latin.toml: not UTF-8"):
        Combination.read(tmp_path / "latin.toml")
