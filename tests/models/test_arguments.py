"""What a fitted model is asked: known words, gaps in metres that were met, levels below 1."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError


@pytest.fixture(scope="module")
def log(players):
    return simulate.simulate_shots(players, simulate.round_robin(4, 3), rng=21)


@pytest.fixture(scope="module")
def model(log):
    return sw.TightnessModel("rally", situation="balance", draws=50).fit(log)


BALLS = pd.DataFrame(
    {
        "player": "Alder",
        "side": ["forehand", "backhand"],
        "family": ["ground", "volley"],
        "choice": ["attack", "reset"],
        "gap_m": [0.2, 0.6],
        "balance": ["set", "set"],
    }
)


def test_one_name_of_a_situation_is_a_list_of_one(model, log):
    assert tuple(model.situation_) == ("balance",)
    assert "balance" in model.used_.columns
    assert model.predict_proba(BALLS).sum(axis=1) == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize(
    ("column", "word", "mend"),
    [
        ("choice", "Attack", "did you mean 'attack'"),
        ("side", "forehnd", "did you mean 'forehand'"),
        ("family", "grounds", "did you mean 'ground'"),
        ("balance", "sett", "did you mean 'set'"),
    ],
)
def test_an_unknown_word_is_no_answer(model, column, word, mend):
    with pytest.raises(DataError, match=f"{column} holds '{word}'; {mend}"):
        model.predict_proba(BALLS.assign(**{column: [word, BALLS[column][1]]}))


@pytest.mark.parametrize("column", ["side", "choice", "gap_m", "family"])
def test_a_blank_has_no_answer(model, column):
    known = model.predict_proba(BALLS)
    blank = BALLS.copy()
    blank.loc[0, column] = None
    found = model.predict_proba(blank)
    assert np.isnan(found[0]).all()
    assert found[1] == pytest.approx(known[1])


@pytest.mark.parametrize("column", ["side", "choice", "gap_m", "player"])
def test_a_missing_column_is_named(model, column):
    with pytest.raises(DataError, match=f"no column {column}"):
        model.predict_proba(BALLS.drop(columns=column))


def test_gaps_are_metres_from_the_wall(model):
    with pytest.raises(DataError, match=r"gap_m holds -0\.2"):
        model.predict_proba(BALLS.assign(gap_m=-0.2))
    with pytest.raises(DataError, match="gap_m holds words"):
        model.predict_proba(BALLS.assign(gap_m="near"))
    widest = float(model.gap_max_m().max())
    assert model.curves(gaps_m=[0.0, widest])["gap_m"].max() == widest
    with pytest.raises(DataError, match=r"gaps_m holds 50 m \(centimetres\? divide by 100\)"):
        model.curves(gaps_m=[20, 50])
    with pytest.raises(DataError, match="the widest gap that was met"):
        model.curves(gaps_m=[widest + 0.01])


@pytest.mark.parametrize("ask", ["thresholds", "curves", "comfort"])
def test_a_level_is_a_share(model, ask):
    with pytest.raises(DataError, match=r"level is 95; .* such as 0\.95"):
        getattr(model, ask)(level=95)
