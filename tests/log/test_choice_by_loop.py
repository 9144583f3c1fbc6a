"""Attack or reset of every stroke, direction and contact, rule by rule."""

from itertools import product

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log.choice import DEFAULT_CHOICES, choice_rules, derive_choice
from sidewall.log.vocabulary import CHOICES, CONTACTS, DIRECTIONS, STROKES

#: Every shot that a log can hold, what is not known at the end.
SHOTS = list(product((*STROKES, None), (*DIRECTIONS, None), (*CONTACTS, None)))


def answer(rules, shot):
    """The most particular rule that fits; a LogError for two that are as particular."""
    fits = {}
    for stroke, direction, contact, choice in rules:
        wanted = (stroke, direction, contact)
        if all(one is None or one == of for one, of in zip(wanted, shot, strict=True)):
            fits.setdefault((direction is not None) + (contact is not None), set()).add(choice)
    if any(len(said) > 1 for said in fits.values()):
        raise LogError("both")
    return fits[max(fits)].copy().pop() if fits else None


def given(shots):
    names = (STROKES, DIRECTIONS, CONTACTS)
    return [
        np.array([-1 if word is None else words.index(word) for word in column])
        for words, column in zip(names, zip(*shots, strict=True), strict=True)
    ]


@pytest.mark.parametrize("seed", range(20))
def test_every_shot(seed):
    rng = np.random.default_rng(seed + 40)
    default = choice_rules(DEFAULT_CHOICES).to_numpy().tolist()
    rules = [
        [
            str(rng.choice(STROKES[1:6])),
            rng.choice([*DIRECTIONS, None, None]),
            rng.choice([*CONTACTS, None, None]),
            str(rng.choice(CHOICES)),
        ]
        for _ in range(int(rng.integers(0, 5)))
    ]
    expected = []
    table = pd.DataFrame(rules, columns=["stroke", "direction", "contact", "choice"])
    try:
        for shot in SHOTS:
            own = answer(rules, shot)
            told = own if own is not None else answer(default, shot)
            known = shot[0] not in (None, "serve") and told is not None
            expected.append(CHOICES.index(told) if known else -1)
    except LogError:
        with pytest.raises(LogError, match="The choice table says both attack and reset for"):
            derive_choice(*given(SHOTS), table)
        return
    assert derive_choice(*given(SHOTS), table if rules else None).tolist() == expected


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (pd.DataFrame({"choice": ["attack"]}), "lacks the column stroke: it needs stroke and"),
        (pd.DataFrame({"side": ["x"]}), "lacks the column stroke, choice:"),
        ({("drop", "cross"): "attack"}, r"has the key \('drop', 'cross'\): give a stroke, or"),
        ({"": "attack"}, r"has the rule \('', None, None, 'attack'\): stroke and choice may"),
        ({"drop": None}, "stroke and choice may not be blank"),
        ({"cross drop": "attack"}, "as stroke: give direction and contact in columns of their"),
        ({"zz": "attack"}, "The choice table holds 'zz' as stroke: "),
    ],
)
def test_rules_that_are_none(table, told):
    with pytest.raises(LogError, match=told):
        choice_rules(table)
