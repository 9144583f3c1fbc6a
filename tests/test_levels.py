"""The interval of a lower level lies within that of a higher one, about the same estimate.

Every public table that takes a level is asked for it at two.
"""

import inspect

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.simulate.charter import second_charter

ATTACK = sw.Combination(
    "length then attack",
    [sw.Step.own(stroke=("drive", "lob")), sw.Step.any_reply(), sw.Step.own(choice="attack")],
)
#: Tables of what was fitted, by what takes the level.
ASK = {
    "Agreement.found_": lambda f, level: f.charted_twice(level).found_,
    "Agreement.words_": lambda f, level: f.charted_twice(level).words_,
    # the limits themselves hold the share of differences that the level says
    "Agreement.limits_": lambda f, level: f.charted_twice(level).limits_.filter(like="bias"),
    "Agreement.intraclass_": lambda f, level: f.charted_twice(level).intraclass_,
    "Combination.effect": lambda f, level: ATTACK.effect(
        f.shots, by="player", permutations=20, level=level
    ),
    "Combination.funnel": lambda f, level: ATTACK.funnel(f.shots, by="player", level=level),
    "PlacementWorth.centimetre": lambda f, level: f.worth.centimetre("Rowan", level=level),
    "PlacementWorth.curves": lambda f, level: f.worth.curves("Rowan", level=level),
    "Predictability.__init__": lambda f, level: (
        sw.Predictability(draws=50, level=level).fit(f.shots).players_
    ),
    "RallyChain.finish_credit": lambda f, level: f.chain.finish_credit(draws=100, level=level),
    "RallyChain.set_up_credit": lambda f, level: f.chain.set_up_credit(draws=100, level=level),
    "RallyChain.state_values": lambda f, level: f.chain.state_values(draws=100, level=level),
    "RallyChain.value_by": lambda f, level: f.chain.value_by(draws=100, level=level),
    "RepeatOrVary.curves": lambda f, level: f.repeat.curves(level),
    "TightnessModel.comfort": lambda f, level: f.model.comfort(level),
    "TightnessModel.curves": lambda f, level: f.model.curves(level=level),
    "TightnessModel.follow": lambda f, level: f.model.follow("Rowan", level),
    "TightnessModel.thresholds": lambda f, level: f.model.thresholds(level),
    "TightnessModel.which_shot": lambda f, level: f.model.which_shot(
        "Rowan", "forehand", "ground", level=level
    ),
    "TinMargin.best": lambda f, level: f.margin.best(level=level, draws=100),
    "TinMargin.scatter": lambda f, level: f.margin.scatter(level),
    "TinMargin.tin_chances": lambda f, level: f.margin.tin_chances(
        "Rowan", "drop", "forehand", level=level
    ),
    "TinMargin.win_curve": lambda f, level: f.margin.win_curve(
        "Rowan", "drop", "forehand", level=level, draws=100
    ),
    "WorkList.__init__": lambda f, level: (
        sw.WorkList(f.model, draws=50, level=level).fit(f.shots).table("Rowan")
    ),
    "attack_effect": lambda f, level: sw.attack_effect(
        f.model, bands_m=(0.2, 0.6, 1.0), level=level
    ),
    "compare_periods": lambda f, level: sw.compare_periods(
        f.shots, "Rowan", *f.halves, model=f.model, level=level
    ),
    "compare_practice": lambda f, level: sw.compare_practice(*f.drills, level=level),
    "decision_table": lambda f, level: sw.decision_table(f.shots, f.model, level=level),
    "decisions_by": lambda f, level: sw.decisions_by(f.shots, f.model, level=level),
    "pace_and_accuracy": lambda f, level: sw.pace_and_accuracy(f.shots, level=level),
    "placement_table": lambda f, level: sw.placement_table(f.shots, level=level),
    "practice_table": lambda f, level: sw.practice_table(f.drills[0], level=level),
    "simex_thresholds": lambda f, level: sw.simex_thresholds(
        f.shots, 0.05, sw.TightnessModel(draws=100), n=3, level=level
    ),
    "threshold_agreement": lambda f, level: sw.threshold_agreement(
        f.shots, f.again, model=sw.TightnessModel(draws=100), level=level
    ),
    # the ends of the threshold's set are targets too, and move with the level
    "threshold_tilt": lambda f, level: sw.threshold_tilt(f.model, "Rowan", level=level).query(
        "not target.str.endswith(' end')"
    ),
    "unseen_reason": lambda f, level: sw.unseen_reason(f.model, "Rowan", level=level),
    "zone_features": lambda f, level: sw.zone_features(f.shots, by="player", level=level),
}
#: Asked for by the tables of an agreement; without an answer in so small a log; without an
#: interval; made of tables above; a number alone.
APART = {
    "Agreement.__init__",
    "RepeatOrVary.answers",
    "TightnessModel.rule",
    "Report.__init__",
    "plan",
    "balls_needed",
}


class Fitted:
    """What the tables are asked of."""

    def __init__(self, shots):
        self.shots = shots
        self.model = sw.TightnessModel(draws=200).fit(shots)
        self.chain = sw.RallyChain().fit(shots)
        self.worth = sw.PlacementWorth().fit(shots)
        self.repeat = sw.RepeatOrVary().fit(shots)
        self.margin = sw.TinMargin().fit(shots)
        matches = sorted(shots.loc[shots["player"] == "Rowan", "match"].unique())
        self.halves = matches[::2], matches[1::2]
        noise = np.random.default_rng(6).normal(0.0, 0.05, len(shots))
        self.again = shots.assign(gap_m=(shots["gap_m"] + noise).clip(0.0, 3.0))
        match = shots[shots["match"] == matches[0]]
        self.charted = tuple(
            second_charter(match, miss=0.01, confuse=0.05, gap_sd_m=0.07, place_sd_m=0.1, seed=seed)
            for seed in (3, 4)
        )
        rng = np.random.default_rng(5)
        self.drills = tuple(
            sw.read_practice(
                pd.DataFrame(
                    {
                        "session": session,
                        "target": "back left",
                        "bounce_x": np.clip(0.4 + rng.normal(out, 0.3, 120), 0, 6.4),
                        "bounce_y": np.clip(7.7 + rng.normal(0, 0.6, 120), 0, 9.75),
                    }
                )
            )
            for session, out in (("before", 0.3), ("after", 0.1))
        )

    def charted_twice(self, level):
        """Agreement of two charters of one match."""
        return sw.Agreement(level, draws=200).fit(*self.charted)


@pytest.fixture(scope="module")
def fitted(shots):
    return Fitted(shots)


def test_every_table_with_a_level_is_asked():
    every = {name: getattr(sw, name) for name in sw.__all__ if not name.startswith("plot_")}
    methods = {
        f"{name}.{method}": function
        for name, thing in every.items()
        if inspect.isclass(thing) and name != "ChartMatch"  # a widget, whose members warn
        for method, function in inspect.getmembers(thing, inspect.isfunction)
        if method == "__init__" or not method.startswith("_")
    }
    functions = {name: thing for name, thing in every.items() if inspect.isfunction(thing)}
    known = {
        name
        for name, function in (methods | functions).items()
        if "level" in inspect.signature(function).parameters
    }
    assert known - APART == {name for name in ASK if not name.startswith("Agreement.")}


def ends(table):
    """Names of the estimate, the lower end and the upper end of every interval."""
    for low in table.columns:
        if "_low" in low and (high := low.replace("_low", "_high")) in table:
            yield low.replace("_low", ""), low, high


SLOW = {"TightnessModel.follow", "compare_periods", "simex_thresholds", "threshold_agreement"}


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.slow) if n in SLOW else n for n in ASK]
)
def test_intervals_of_a_lower_level_lie_within(name, fitted):
    inner, outer = (ASK[name](fitted, level).reset_index(drop=True) for level in (0.5, 0.95))
    further = {-1.0: 0, 1.0: 0}
    for estimate, low, high in ends(outer):
        for end, sign in ((low, -1.0), (high, 1.0)):
            wider = sign * (outer[end] - inner[end]).dropna()
            assert (wider > -1e-9).all(), end
            further[sign] += int((wider > 0).sum())
        assert not (inner[low] > inner[high]).any(), low
        if estimate in outer:
            assert not (outer[low] > outer[estimate] + 1e-9).any(), low
            assert not (outer[high] < outer[estimate] - 1e-9).any(), high
            told = outer[estimate].notna() & inner[estimate].notna()
            assert outer.loc[told, estimate].tolist() == inner.loc[told, estimate].tolist()
    assert min(further.values()) > 0
