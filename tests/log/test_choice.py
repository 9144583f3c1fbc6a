import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log import read_shots
from sidewall.log.choice import DEFAULT_CHOICES, choice_rules, derive_choice
from sidewall.log.vocabulary import CHOICES, CONTACTS, DIRECTIONS, STROKES


def choice_of(stroke, direction=None, contact=None, table=None):
    codes = [
        np.array([-1 if word is None else words.index(word)])
        for word, words in ((stroke, STROKES), (direction, DIRECTIONS), (contact, CONTACTS))
    ]
    code = derive_choice(*codes, table)[0]
    return None if code < 0 else CHOICES[code]


@pytest.mark.parametrize("stroke", ["drop", "kill", "smash", "flick", "boast"])
def test_attacks(stroke):
    assert choice_of(stroke) == choice_of(stroke, "cross", "volley") == "attack"


@pytest.mark.parametrize("stroke", ["drive", "lob", "back_wall_boast", "skid_boast"])
def test_resets(stroke):
    assert choice_of(stroke) == choice_of(stroke, "straight", "after_bounce") == "reset"


def test_boast_out_of_the_back_corner():
    assert choice_of("boast", contact="off_back_wall") == "reset"


def test_serve_and_unknown_have_none():
    assert choice_of("serve", table={"serve": "attack"}) is None
    assert choice_of(None) is None


def test_defaults_cover_every_stroke():
    assert {key[0] for key in DEFAULT_CHOICES} == set(STROKES) - {"serve"}


def test_the_more_particular_rule_wins_in_any_order():
    rules = {("drive", None, "volley"): "attack", "drive": "reset"}
    for table in (rules, dict(reversed(rules.items()))):
        assert choice_of("drive", "cross", "volley", table) == "attack"
        assert choice_of("drive", "cross", None, table) == "reset"
        assert choice_of("drop", table=table) == "attack"  # as the default table says


def test_own_rules_are_laid_over_the_default_ones():
    table = {"boast": "attack", ("drop", "cross", None): "reset"}
    assert choice_of("boast", contact="off_back_wall", table=table) == "attack"
    assert choice_of("drop", "cross", table=table) == "reset"
    assert choice_of("drop", "straight", table=table) == "attack"
    assert choice_of("drive", table=table) == "reset"


def test_table_as_frame(log):
    table = pd.DataFrame({"stroke": ["Length"], "choice": ["Attack"], "contact": [np.nan]})
    shots = read_shots(log, choice_table=table)
    assert (shots.loc[shots["stroke"] == "drive", "choice"] == "attack").all()
    charted = shots[shots["choice_source"] == "charted"]
    assert charted["line"].tolist() == [4]
    assert (shots.loc[shots["stroke"] == "lob", "choice"] == "reset").all()


def test_charted_choice_is_kept(log):
    log.loc[3, "choice"] = "attack"
    shots = read_shots(log).set_index("line")
    assert shots.loc[3, ["choice", "choice_source"]].tolist() == ["attack", "charted"]


@pytest.mark.parametrize(
    ("table", "part"),
    [
        ({"drvie": "reset"}, "did you mean drive"),
        ({"drive": "wait"}, "attack, reset"),
        ({"cross drive": "reset"}, "columns of their own"),
        ({("drive", "cross"): "reset"}, "with None for any"),
        ({"drive": None}, "may not be blank"),
        (pd.DataFrame({"stroke": ["drive"]}), "lacks the column choice"),
        (
            {("drive", "cross", None): "attack", ("drive", None, "volley"): "reset"},
            "both attack and reset",
        ),
    ],
)
def test_damaged_table(log, table, part):
    with pytest.raises(LogError, match=part):
        read_shots(log, choice_table=table)


def test_rules_in_one_form():
    rules = choice_rules(DEFAULT_CHOICES)
    assert list(rules.columns) == ["stroke", "direction", "contact", "choice"]
    pd.testing.assert_frame_equal(choice_rules(rules), rules)
