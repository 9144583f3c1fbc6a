"""One word a thing, in the columns of every public table.

==============================  ====================================================
word                            thing
==============================  ====================================================
``level``                       confidence of an interval
``x_low``, ``x_high``           its ends, beside the column ``x`` and in its unit
``n_shots``, ``n_rallies``      how many shots and rallies a number stands on
``..._m``, ``..._cm``           a length
``points_per_game``             points gained or lost a game
``win_probability``             chance that the striker wins the rally
``striker``                     who plays the ball
``draws``                       random draws behind an interval
``least``                       smallest number that counts
``false_discovery_rate``        share of false findings allowed for
==============================  ====================================================

A column that keeps an older word is named below with the reason; a name on that list which no
table has any more fails too, so the list can only get shorter.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.decisions import decisions
from sidewall.progress import next_balls, next_matches

PLAYER = "Rowan"
#: Words that make a column a length where its numbers are fractions.
LENGTHS: Final = {"gap", "width", "height", "distance", "threshold", "aim", "bias"}
#: By table: the columns that do not keep to the words, and why they are let be.
EXCEPTIONS: Final = {
    "Combination.find": ("shots", "how long the try was; nothing rests on it"),
    "rally_table": ("shots", "how long the rally was; nothing rests on it"),
}


@pytest.fixture(scope="module")
def tables():
    """Every public table of a small log, by the name of what gives it."""
    players = simulate.draw_players([PLAYER, "Hazel", "Alder", "Cedar"], np.random.default_rng(1))
    shots = simulate.simulate_shots(players, simulate.round_robin(4, 2), games_to_win=2, rng=2)
    again = simulate.second_charter(shots, seed=1)
    model = sw.TightnessModel(outcome="rally", draws=100, seed=1).fit(shots)
    chain = sw.RallyChain().fit(shots)
    agreement = sw.Agreement(draws=20).fit(shots, again)
    worth = sw.PlacementWorth().fit(shots)
    margin = sw.TinMargin().fit(shots)
    habits = sw.Predictability(draws=20).fit(shots)
    repeat = sw.RepeatOrVary(most=3).fit(shots)
    two = sw.Combination.built_in("length then volley")
    overlap = sw.choice_overlap(shots, PLAYER)
    first, later = shots.loc[shots["player"] == PLAYER, "match"].unique()
    rng = np.random.default_rng(1)
    places = {"bounce_x": rng.uniform(0, 1, 30), "bounce_y": rng.normal(8.2, 0.4, 30)}
    balls = sw.read_practice(pd.DataFrame({"session": "May", **places, "target": "back left"}))
    work = sw.WorkList(model, draws=50).fit(shots)
    ball = {"player": PLAYER, "side": "backhand", "family": "ground", "gap_m": 0.4}
    return {
        "Agreement.aligned_": agreement.aligned_,
        "Agreement.found_": agreement.found_,
        "Agreement.words_": agreement.words_,
        "Agreement.limits_": agreement.limits_,
        "Agreement.intraclass_": agreement.intraclass_,
        "Combination.effect": two.effect(shots),
        "Combination.find": two.find(shots),
        "Combination.funnel": two.funnel(shots),
        "Overlap.bands": overlap.bands,
        "PlacementWorth.centimetre": worth.centimetre(PLAYER),
        "PlacementWorth.curves": worth.curves(PLAYER),
        "Predictability.players_": habits.players_,
        "Predictability.situations_": habits.situations_,
        "RallyChain.finish_credit": chain.finish_credit(draws=20),
        "RallyChain.pair": chain.pair(PLAYER),
        "RallyChain.set_up_credit": chain.set_up_credit(draws=20),
        "RallyChain.shot_values": chain.shot_values(shots),
        "RallyChain.state_values": chain.state_values(draws=20),
        "RallyChain.value_by": chain.value_by("player", draws=20),
        "RepeatOrVary.answers": repeat.answers(),
        "RepeatOrVary.counts_": repeat.counts_,
        "RepeatOrVary.curves": repeat.curves(),
        "TightnessModel.comfort": model.comfort(player=PLAYER),
        "TightnessModel.curves": model.curves(gaps_m=[0.2, 0.8]),
        "TightnessModel.follow": model.follow(PLAYER, folds=2),
        "TightnessModel.rule": model.rule(),
        "TightnessModel.thresholds": model.thresholds(by="balance"),
        "TightnessModel.which_shot": model.which_shot(**ball),
        "TinMargin.best": margin.best("all players", draws=16),
        "TinMargin.scatter": margin.scatter(),
        "TinMargin.tin_chances": margin.tin_chances("all players", "drive", "backhand"),
        "TinMargin.win_curve": margin.win_curve("all players", "drive", "backhand", draws=16),
        "WorkList.table": work.table(PLAYER),
        "align": sw.align(shots, again),
        "attack_effect": sw.attack_effect(model, bands_m=(0.2, 0.6, 1.0)),
        "check_shots": sw.check_shots(simulate.to_log(shots)),
        "clip_times": sw.clip_times(sw.rally_table(shots).head(2), shots),
        "compare_periods": sw.compare_periods(
            shots, PLAYER, [first], [later], measures=["on target"]
        ),
        "compare_practice": sw.compare_practice(balls, balls),
        "decision_table": sw.decision_table(shots, model),
        "decisions": decisions(shots, model),
        "decisions_by": sw.decisions_by(shots, model),
        "next_balls": next_balls(model, PLAYER),
        "next_matches": next_matches(model, PLAYER),
        "pace_and_accuracy": sw.pace_and_accuracy(shots),
        "placement_table": sw.placement_table(shots),
        "practice_table": sw.practice_table(balls),
        "rally_table": sw.rally_table(shots),
        "read_practice": balls,
        "read_shots": shots,
        "shot_features": sw.shot_features(shots),
        "threshold_tilt": sw.threshold_tilt(model, PLAYER),
        "unseen_reason": sw.unseen_reason(model, PLAYER),
        "zone_features": sw.zone_features(shots),
    }


def breaks(table):
    """The columns of a table that do not keep to the words."""
    for name, kind in table.dtypes.items():
        end = re.search(r"_(low|high)(?=_|$)", name)
        lone = name in {"low", "high", "n", "low_m", "high_m", "shots", "rallies"}
        length = pd.api.types.is_float_dtype(kind) and LENGTHS & set(name.split("_"))
        around = (
            {name.replace("_low", "_high"), name.replace("_high", "_low"), name.replace(end[0], "")}
            if end
            else set()
        )
        if (
            lone
            or not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", name)
            or not around <= set(table)
            or (length and not re.search(r"_c?m(_(low|high|first|second))?$", name))
        ):
            yield name


def test_columns_keep_to_the_words_but_for_those_named(tables):
    found = {name: " ".join(breaks(table)) for name, table in tables.items()}
    kept = {name: set(columns.split()) for name, (columns, _) in EXCEPTIONS.items()}
    assert {name: set(columns.split()) for name, columns in found.items() if columns} == kept


@pytest.mark.parametrize(
    "wrong",
    ["Gap_m", "gap", "threshold_ft", "n", "shots", "low", "share_low", "win rate", "gap_low_m"],
)
def test_a_wrong_column_is_found(wrong):
    assert list(breaks(pd.DataFrame({"player": ["Rowan"], wrong: [0.5]}))) == [wrong]
