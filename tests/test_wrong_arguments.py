"""No public name lets a wrong argument through to numpy or pandas.

Levels, seeds, counts and tables are checked before anything is worked out, so every public
function and method that takes one can be tried without a log. The tries below them have a
small log and fitted models.
"""

from __future__ import annotations

import contextlib
import inspect

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from matplotlib import pyplot as plt

import sidewall as sw
from sidewall import simulate
from sidewall.decisions import decisions
from sidewall.errors import DataError, NotFittedError, SidewallError
from sidewall.progress import next_balls, next_matches
from sidewall.trust import check_ranks, e_value, simulation_ranks

WRONG = {
    "level": [0, 1, 95, -1, np.nan, "0.95", None],
    "seed": [-1, 1.5, "a"],
    "folds": [0, 1, 2.5, "5"],
    "draws": [0, 1, 2.5, -3, None],
    "prior_scale": [0, -1, np.nan, "1"],
    "permutations": [-1, 2.5],
    "table": [None, {}, "log.csv", 3],
}
#: Draws of a posterior and seeds of many runs have rules of their own; a file is read first,
#: and a picture of a rally leaves the table to the chain.
APART = {
    ("simulation_ranks", "seed"),
    ("simulation_ranks", "draws"),
    ("check_ranks", "draws"),
    ("pseudonymise", "seed"),
    ("plot_rally", "table"),
}


def public_callables():
    """Name and function of every public function and method."""
    for function in (check_ranks, simulation_ranks):
        yield function.__name__, function
    for name in sw.__all__:
        thing = getattr(sw, name)
        if inspect.ismodule(thing):
            continue
        if not inspect.isclass(thing):
            yield name, thing
            continue
        if name == "ChartMatch":  # its other methods are the widget's
            continue
        for method, function in inspect.getmembers(thing, inspect.isfunction):
            if method == "__init__" or not method.startswith("_"):
                yield f"{name}.{method}", function


def of_table(parameter):
    return "Table" in str(parameter.annotation).split(" | ")


def tries():
    for name, function in public_callables():
        for parameter in inspect.signature(function).parameters.values():
            kind = "table" if of_table(parameter) else parameter.name
            if (name, kind) in APART or kind not in WRONG:
                continue
            if kind == "table" and not of_table(parameter):
                continue
            for wrong in WRONG[kind]:
                if wrong is None and parameter.default is None:
                    continue
                yield pytest.param(
                    function, parameter.name, wrong, id=f"{name}-{parameter.name}-{wrong}"
                )


class Bare:
    """An instance before anything is done with it."""


def stand_in(parameter):
    """Anything that passes as the argument until it is used."""
    return pd.DataFrame() if of_table(parameter) else Bare()


@pytest.mark.parametrize(("function", "name", "wrong"), [*tries()])
def test_a_wrong_argument_is_refused_before_anything_else(function, name, wrong):
    given = {
        parameter.name: stand_in(parameter)
        for parameter in inspect.signature(function).parameters.values()
        if parameter.default is parameter.empty and parameter.kind != parameter.VAR_KEYWORD
    }
    with pytest.raises(SidewallError, match=f"^{name} is .*give a "):
        function(**{**given, name: wrong})
    if "self" in given:  # nothing was kept of it
        assert vars(given["self"]) == {}


#: The least that a count may be, where it is not a matter of taste.
LEAST = {
    "draws": {"WorkList.__init__": 50, "TightnessModel.__init__": 50, "TightnessModel.again": 50},
    "folds": {},
    "permutations": {
        "Combination.effect": 0,
        "RallyChain.order_test": 0,
        "RallyChain.stationarity_test": 0,
    },
    "seed": {},
    "most": {"RepeatOrVary.__init__": 2, "plot_work_list": 1},
    "least": {"Predictability.__init__": 2},
    "bands": {"pace_and_accuracy": 2},
    "jobs": {"Report.write": 1, "write_report": 1},
    "max_iter": {"PooledLogit.__init__": 1},
    "min_shots": {"plot_zone_map": 1},
    "shots_per_part": {"write_partitions": 1},
    "late_from": {"decisions_by": 1},
}
USUAL_LEAST = {"draws": 2, "folds": 2, "seed": 0}


def least_tries():
    for name, function in public_callables():
        for parameter in inspect.signature(function).parameters:
            if (name, parameter) in APART or parameter not in LEAST or name == "plan":  # slow
                continue
            least = LEAST[parameter].get(name, USUAL_LEAST.get(parameter))
            if least is not None:
                yield pytest.param(function, parameter, least, id=f"{name}-{parameter}")


@pytest.mark.parametrize(("function", "name", "least"), [*least_tries()])
def test_the_least_that_is_asked_for_is_taken_and_one_less_is_not(function, name, least):
    given = {
        parameter.name: stand_in(parameter)
        for parameter in inspect.signature(function).parameters.values()
        if parameter.default is parameter.empty and parameter.kind != parameter.VAR_KEYWORD
    }
    with pytest.raises(SidewallError, match=f"^{name} is {least - 1}; give a "):
        function(**{**given, name: least - 1})
    said = ""
    try:
        function(**{**given, name: least})
    except Exception as error:  # noqa: BLE001 - of whatever the stand-ins lack
        said = str(error)
    assert not said.startswith(f"{name} is ")


def test_many_functions_are_tried():
    names = {one.id.split("-")[0] for one in tries()}
    assert len(names) > 80
    assert {"TightnessModel.thresholds", "plot_comfort", "decision_table"} <= names


@pytest.fixture(scope="module")
def shots():
    names = ["Alder", "Birch", "Cedar", "Rowan"]
    players = simulate.draw_players(names, np.random.default_rng(12))
    return simulate.simulate_shots(players, simulate.round_robin(4, 2), rng=21)


@pytest.fixture(scope="module")
def model(shots):
    return sw.TightnessModel(draws=200).fit(shots)


@pytest.fixture(scope="module")
def chain(shots):
    return sw.RallyChain().fit(shots)


#: Functions of a table of shots alone, and of the table and a fitted model.
OF_SHOTS = {
    "rally_table": sw.rally_table,
    "shot_features": sw.shot_features,
    "zone_features": sw.zone_features,
    "TightnessModel": lambda shots: sw.TightnessModel(draws=200).fit(shots),
    "RallyChain": lambda shots: sw.RallyChain().fit(shots).win_probability_,
    "Predictability": lambda shots: sw.Predictability(draws=2).fit(shots).players_,
    "RepeatOrVary": lambda shots: sw.RepeatOrVary().fit(shots),
    "PlacementWorth": lambda shots: sw.PlacementWorth().fit(shots),
    "TinMargin": lambda shots: sw.TinMargin().fit(shots),
    "WorkList": lambda shots: sw.WorkList(draws=50).fit(shots),
    "Agreement": lambda shots: sw.Agreement(draws=2).fit(shots, shots),
    "Report": lambda shots: sw.Report().fit(shots),
    "Combination.find": lambda shots: sw.Combination("any", [sw.Step.own()]).find(shots),
    "Combination.funnel": lambda shots: sw.Combination("any", [sw.Step.own()]).funnel(shots),
    "Combination.effect": lambda shots: sw.Combination("any", [sw.Step.own()]).effect(
        shots, permutations=1
    ),
    "align": lambda shots: sw.align(shots, shots),
    "choice_overlap": sw.choice_overlap,
    "compare_periods": lambda shots: sw.compare_periods(shots, "Rowan", ["a"], ["b"]),
    "matches_by_date": lambda shots: sw.matches_by_date(shots, "Rowan", "2024-01-01"),
    "join_logs": lambda shots: sw.join_logs(shots, shots),
    "pace_and_accuracy": sw.pace_and_accuracy,
    "placement_table": sw.placement_table,
    "practice_table": sw.practice_table,
    "compare_practice": lambda shots: sw.compare_practice(shots, shots),
    "plan": lambda shots: sw.plan(shots, "Rowan", matches=[1], simulations=2),
    "plot_placement": lambda shots: sw.plot_placement(shots, "Rowan", "back left"),
    "plot_practice": lambda shots: sw.plot_practice(shots, "back left"),
    "plot_zone_map": lambda shots: sw.plot_zone_map(shots, "Rowan"),
    "plot_decisions": lambda shots: sw.plot_decisions(shots, "Rowan"),
    "plot_effects": sw.plot_effects,
    "plot_progress": sw.plot_progress,
    "plot_work_list": sw.plot_work_list,
    "plot_funnel": lambda shots: sw.plot_funnel(sw.Combination("any", [sw.Step.own()]), shots),
    "read_shots": sw.read_shots,
    "check_log": sw.check_log,
    "simex_thresholds": lambda shots: sw.simex_thresholds(shots, 0.05),
    "threshold_agreement": lambda shots: sw.threshold_agreement(shots, shots),
    "clip_times": lambda shots: sw.clip_times(shots, shots),
    "write_clips": lambda shots: sw.write_clips(shots, "/nowhere/at/all"),
    "write_report": lambda shots: sw.write_report(shots, "Rowan", "/nowhere/at/all.html"),
    "work_list": lambda shots: sw.work_list(shots, draws=50),
    "reidentify": lambda shots: sw.reidentify(shots, "/nowhere/at/all.csv"),
    "write_table": lambda shots: sw.write_table(shots, "/nowhere/at/all.csv"),
}
WITH_A_MODEL = {
    "decision_table": sw.decision_table,
    "decisions_by": sw.decisions_by,
    "predict_proba": lambda shots, model: model.predict_proba(shots),
}
WITH_A_CHAIN = {"shot_values": lambda shots, chain: chain.shot_values(shots)}


def refused_or_done(call):
    """Run a call that may refuse what it was given, in the package's own words."""
    with contextlib.suppress(SidewallError):
        call()
    plt.close("all")


@pytest.mark.parametrize("name", [*OF_SHOTS, *WITH_A_MODEL, *WITH_A_CHAIN])
@pytest.mark.parametrize("kind", ["no rows", "no columns", "one row", "other columns"])
def test_a_table_with_nothing_in_it_is_refused_or_answered(name, kind, shots, model, chain):
    table = {
        "no rows": shots.iloc[:0],
        "no columns": pd.DataFrame(),
        "one row": shots.iloc[:1],
        "other columns": pd.DataFrame({"player": ["Rowan"], "gap_m": [0.3]}),
    }[kind]
    if name in OF_SHOTS:
        refused_or_done(lambda: OF_SHOTS[name](table))
    elif name in WITH_A_MODEL:
        refused_or_done(lambda: WITH_A_MODEL[name](table, model))
    else:
        refused_or_done(lambda: WITH_A_CHAIN[name](table, chain))


def arrow(table):
    return pa.Table.from_pandas(table, preserve_index=False)


def polars(table):
    return pytest.importorskip("polars").from_pandas(table)


def turned_round(table):
    """The same table, with the words of every column kept in another order."""
    words = [name for name in ("side", "family", "stroke", "choice", "balance", "depth", "decision")
             if name in table]  # fmt: skip
    back = {name: table[name].cat.reorder_categories(table[name].cat.categories[::-1])
            for name in words}  # fmt: skip
    return table.assign(**back)


def test_the_order_in_which_a_library_keeps_words_changes_nothing(shots, model):
    features, judged = sw.shot_features(shots), decisions(shots, model)
    for ask, table in (
        (lambda table: sw.TightnessModel(draws=200).fit(table).thresholds(), features),
        (model.predict_proba, features),
        (lambda table: sw.decision_table(table, model), features),
        (lambda table: sw.decision_table(table, model), judged),
    ):
        ours, theirs = (pd.DataFrame(ask(one)) for one in (table, turned_round(table)))
        pd.testing.assert_frame_equal(ours, theirs, check_dtype=False, check_categorical=False)


@pytest.mark.parametrize("other", [arrow, polars])
def test_any_arrow_table_gives_what_the_pandas_table_gives(other, shots, model, chain):
    again = sw.RallyChain().fit(other(shots))
    pd.testing.assert_frame_equal(again.transition_, chain.transition_)
    features = sw.shot_features(shots)
    for ask in (
        lambda table: sw.decision_table(table, model),
        lambda table: sw.zone_features(table, by="player"),
        lambda table: model.predict_proba(table)[:50],
    ):
        ours, theirs = (in_one_order(ask(table)) for table in (features, other(features)))
        pd.testing.assert_frame_equal(ours, theirs, check_dtype=False)


def in_one_order(answer):
    """An answer as a table whose order does not hang on that of the categories."""
    table = pd.DataFrame(answer)
    words = table.select_dtypes("category").columns
    table = table.astype(dict.fromkeys(words, object))
    return table.sort_values(list(words), ignore_index=True) if len(words) else table


UNKNOWN = {
    "player": [
        lambda s, m, c: m.which_shot("Nobody", "forehand", "ground"),
        lambda s, m, c: m.follow("Nobody"),
        lambda s, m, c: next_balls(m, "Nobody"),
        lambda s, m, c: sw.plot_threshold(m, "Nobody"),
        lambda s, m, c: sw.plot_thresholds_by(m, "Nobody"),
        lambda s, m, c: sw.plot_shot_map(m, "Nobody", "forehand", "ground"),
        lambda s, m, c: sw.plot_comfort(m, "Nobody"),
        lambda s, m, c: sw.plot_zone_map(s, "Nobody"),
        lambda s, m, c: sw.plot_transitions(c, "Nobody"),
        lambda s, m, c: sw.plot_chain(c, "Nobody"),
        lambda s, m, c: sw.plot_decisions(s, "Nobody"),
        lambda s, m, c: sw.decisions_by(s, m, player="Nobody"),
        lambda s, m, c: sw.attack_effect(m, "Nobody"),
        lambda s, m, c: sw.choice_overlap(s, "Nobody"),
        lambda s, m, c: sw.threshold_tilt(m, "Nobody"),
        lambda s, m, c: sw.unseen_reason(m, "Nobody"),
        lambda s, m, c: sw.compare_periods(s, "Nobody", ["m01"], ["m02"]),
        lambda s, m, c: sw.plan(s, "Nobody"),
        lambda s, m, c: sw.plot_placement(s, "Nobody", "back left"),
        lambda s, m, c: sw.write_report(s, "Nobody", "/nowhere/at/all.html"),
        lambda s, m, c: c.pair("Nobody"),
        lambda s, m, c: sw.Combination("any", [sw.Step.own()]).find(s, "Nobody"),
        lambda s, m, c: sw.matches_by_date(s, "Nobody", "2024-01-01"),
        lambda s, m, c: sw.plot_rally(c, "m01", 1, 1, player="Nobody"),
    ],
    "column": [
        lambda s, m, c: sw.zone_features(s, by="balanse"),
        lambda s, m, c: sw.placement_table(s, by="balanse"),
        lambda s, m, c: sw.pace_and_accuracy(s, by="balanse"),
        lambda s, m, c: sw.decision_table(s, m, by="balanse"),
        lambda s, m, c: sw.decisions_by(s, m, by="balanse"),
        lambda s, m, c: sw.TightnessModel(situation="balanse", draws=200).fit(s),
        lambda s, m, c: sw.Predictability(situation="balanse").fit(s),
        lambda s, m, c: sw.Predictability(reply=["balanse"]).fit(s),
        lambda s, m, c: c.value_by("balanse", draws=2),
        lambda s, m, c: c.set_up_credit("balanse", draws=2),
        lambda s, m, c: c.finish_credit(["balanse"], draws=2),
        lambda s, m, c: c.stationarity_test("balanse"),
        lambda s, m, c: sw.choice_overlap(s, reasons=["balanse"]),
        lambda s, m, c: sw.attack_effect(m, reasons="balanse"),
        lambda s, m, c: sw.Combination("any", [sw.Step.own()]).funnel(s, by="balanse"),
    ],
    "unit": [
        lambda s, m, c: sw.plot_threshold(m, "Rowan", unit="furlongs"),
        lambda s, m, c: sw.plot_thresholds_by(m, "Rowan", unit="furlongs"),
        lambda s, m, c: sw.plot_shot_map(m, "Rowan", "forehand", "ground", unit="furlongs"),
        lambda s, m, c: sw.plot_comfort(m, "Rowan", unit="furlongs"),
        lambda s, m, c: sw.plot_decisions(s, "Rowan", unit="furlongs"),
        lambda s, m, c: sw.plot_overlap(sw.choice_overlap(s), unit="furlongs"),
        lambda s, m, c: sw.threshold_tilt(m, "Rowan", unit="furlongs"),
        lambda s, m, c: sw.Report(unit="furlongs"),
        lambda s, m, c: sw.write_template("/nowhere/at/all.csv", gap_unit="furlongs"),
    ],
    "word": [
        lambda s, m, c: sw.TightnessModel(outcome="games", draws=200).fit(s),
        lambda s, m, c: sw.plot_thresholds_by(m, "Rowan", by="direction"),
        lambda s, m, c: sw.plot_threshold(m, "Rowan", side="left"),
        lambda s, m, c: sw.plot_threshold(m, "Rowan", family="lobs"),
        lambda s, m, c: sw.plot_zone_map(s, "Rowan", value="luck"),
        lambda s, m, c: sw.plan(s, "Rowan", outcome="games"),
        lambda s, m, c: c.shot_values(measure="match"),
        lambda s, m, c: m.thresholds(by={"balance": "set"}),
        lambda s, m, c: m.thresholds(by="set"),
        lambda s, m, c: m.curves(by="balanse"),
        lambda s, m, c: m.rule(by="direction"),
        lambda s, m, c: next_balls(m, "Rowan", by="balanse"),
        lambda s, m, c: m.which_shot("Rowan", "forehand", "lobs"),
        lambda s, m, c: m.which_shot("Rowan", "left", "ground"),
        lambda s, m, c: m.which_shot("Rowan", "forehand", "ground", balance="tired"),
        lambda s, m, c: m.which_shot("Rowan", "forehand", "ground", mood="set"),
        lambda s, m, c: sw.TightnessModel(horizon=3).fit(s),
        lambda s, m, c: sw.TightnessModel(horizon="match").fit(s),
    ],
    "length": [
        lambda s, m, c: m.curves(gaps_m=[20, 50]),
        lambda s, m, c: m.which_shot("Rowan", "forehand", "ground", 20),
        lambda s, m, c: m.which_shot("Rowan", "forehand", "ground", "wide"),
        lambda s, m, c: m.curves(gaps_m=[-0.1]),
        lambda s, m, c: m.curves(gaps_m=[]),
        lambda s, m, c: m.curves(gaps_m="0.2"),
        lambda s, m, c: m.curves(gaps_m=[np.nan]),
        lambda s, m, c: sw.unseen_reason(m, "Rowan", gaps_m=[20]),
        lambda s, m, c: sw.threshold_tilt(m, "Rowan", moves_m=["far"]),
        lambda s, m, c: sw.choice_overlap(s, bands_m=[0.5, "wide"]),
        lambda s, m, c: sw.attack_effect(m, bands_m=[-1.0, 0.5]),
        lambda s, m, c: sw.plan(s, "Rowan", half_width_m=-1),
        lambda s, m, c: sw.plan(s, "Rowan", matches=[0]),
        lambda s, m, c: sw.plan(s, "Rowan", matches=3),
        lambda s, m, c: sw.plan(s, "Rowan", simulations=1.5),
        lambda s, m, c: c.order_test(7),
        lambda s, m, c: sw.BallStates(bands_m=[0.4, "wide"]),
        lambda s, m, c: sw.BallStates(bands_m=[0.4, np.nan]),
        lambda s, m, c: sw.LooseBall(loose_from_m="wide"),
        lambda s, m, c: sw.simex_thresholds(s, -0.1),
        lambda s, m, c: sw.simex_thresholds(s, 0.05, n=0),
        lambda s, m, c: sw.error_ellipse([0.1, 0.2, 0.3, 0.1], [1.0, 2.0, 3.0, 0.0], share=1.5),
        lambda s, m, c: sw.error_ellipse(["a"], [1.0]),
        lambda s, m, c: sw.balls_needed("half", 0.7),
        lambda s, m, c: e_value("big"),
        lambda s, m, c: sw.clip_times(s, s, lead_in_s=-1),
        lambda s, m, c: sw.WorkList(useful=np.nan),
        lambda s, m, c: sw.plot_funnel(sw.Combination("any", [sw.Step.own()]), s, "Nobody"),
        lambda s, m, c: sw.plot_rally(c, "no such match", 1, 1),
        lambda s, m, c: sw.plot_rally(c, "m01", 1, 1, shots={}),
        lambda s, m, c: sw.plot_rally(c, "m01", 99, 1),
        lambda s, m, c: sw.write_partitions(s, "/nowhere", shots_per_part=0),
        lambda s, m, c: check_ranks([1, 2], draws=3, bins=0),
        lambda s, m, c: sw.compare_periods(s, "Rowan", ["no such"], ["m01"]),
        lambda s, m, c: sw.compare_periods(s, "Rowan", "m01", 7),
        lambda s, m, c: sw.compare_periods(s, "Rowan", ["m01"], ["m02"], measures="luck"),
        lambda s, m, c: sw.matches_by_date(s, "Rowan", "not a date"),
        lambda s, m, c: sw.court_targets(depth_m=-1),
        lambda s, m, c: sw.Court(width_m="wide"),
        lambda s, m, c: sw.Target("here", "round"),
        lambda s, m, c: sw.from_parquet("/nowhere/at/all"),
        lambda s, m, c: sw.from_parquet("/nowhere/at/all", -1),
    ],
}


@pytest.mark.parametrize(
    "call", [pytest.param(c, id=f"{k} {i}") for k, v in UNKNOWN.items() for i, c in enumerate(v)]
)
def test_what_is_unknown_is_refused(call, shots, model, chain):
    with pytest.raises(SidewallError) as found:
        call(shots, model, chain)
    plt.close("all")
    assert len(str(found.value)) > 20


#: Doors that take something fitted: its class and the caller's name for it, then the calls, each
#: of a log and of what is given in its place.
OF_A_FIT = {
    ("TightnessModel", "model"): [
        sw.work_list,
        sw.decision_table,
        sw.decisions_by,
        decisions,
        lambda s, x: sw.WorkList(x).fit(s),
        lambda s, x: sw.attack_effect(x),
        lambda s, x: sw.attack_effect(x, "Rowan"),
        lambda s, x: sw.threshold_tilt(x, "Rowan"),
        lambda s, x: sw.unseen_reason(x, "Rowan"),
        lambda s, x: next_balls(x, "Rowan"),
        lambda s, x: next_matches(x, "Rowan"),
        lambda s, x: sw.plot_threshold(x, "Rowan"),
        lambda s, x: sw.plot_thresholds_by(x, "Rowan"),
        lambda s, x: sw.plot_comfort(x, "Rowan"),
        lambda s, x: sw.plot_shot_map(x, "Rowan", "forehand", "ground"),
    ],
    ("RallyChain", "chain"): [
        lambda s, x: sw.plot_chain(x),
        lambda s, x: sw.plot_chain(x, "Rowan"),
        lambda s, x: sw.plot_chain(x, start="serve"),
        lambda s, x: sw.plot_transitions(x),
        lambda s, x: sw.plot_rally(x, "m01", 1, 1),
    ],
    ("Agreement", "agreement"): [lambda s, x: sw.plot_agreement(x)],
    ("TinMargin", "margin"): [
        lambda s, x: sw.plot_aim(x, "Rowan", "drop", "forehand"),
        lambda s, x: sw.plot_front_wall_hits(x, "Rowan", "drop"),
    ],
    ("RepeatOrVary", "model"): [lambda s, x: sw.plot_repeat(x)],
    ("PlacementWorth", "worth"): [lambda s, x: sw.plot_worth(x)],
}


@pytest.mark.parametrize(
    ("kind", "name", "call"),
    [pytest.param(*k, c, id=f"{k[0]} {i}") for k, v in OF_A_FIT.items() for i, c in enumerate(v)],
)
def test_what_is_no_fit_is_refused_with_the_call_that_makes_one(kind, name, call, shots):
    takes = "first, second" if kind == "Agreement" else "shots"
    mend = rf"; give a fitted {kind}, sw\.{kind}\(\)\.fit\({takes}\)$"
    for wrong, told in ((shots, "a DataFrame of shape "), ("Rowan", "'Rowan'"), (3, "3")):
        with pytest.raises(DataError, match=f"^{name} is {told}.*{mend}"):
            call(shots, wrong)
    with pytest.raises(NotFittedError, match=rf"^call {kind}\(\)\.fit\({takes}\) first"):
        call(shots, getattr(sw, kind)())


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda s, m: sw.LooseBall(m), r"thresholds is TightnessModel\(.*model\.thresholds\(\)"),
        (lambda s, m: sw.LooseBall(s), r"thresholds has no column family; .*\.thresholds\(\)"),
        (lambda s, m: sw.BallStates(loose=m), r"loose is TightnessModel\(.*sw\.LooseBall\("),
        (
            lambda s, m: sw.Combination("any", [sw.Step.own()]).find(s, loose=m),
            r"loose is TightnessModel\(.*sw\.LooseBall\(",
        ),
        (lambda s, m: sw.shot_features(s, court="ours"), r"court is 'ours'; .*sw\.Court\(\)"),
        (lambda s, m: sw.plot_calibration(m), r"diagnostics is Tight.*model\.diagnostics\(\)"),
        (lambda s, m: sw.plot_funnel(s, s), r"combination is a DataFrame .*sw\.Combination\("),
        (lambda s, m: sw.plot_sequence(s), r"combination is a DataFrame .*sw\.Combination\("),
        (lambda s, m: sw.plot_threshold(m, "Rowan", beside=s), r"beside is a DataFrame .*fitted"),
        (lambda s, m: sw.threshold_agreement(s, s, model=s), r"model is a DataFrame .*\(\)$"),
        (lambda s, m: sw.simex_thresholds(s, 0.05, s), r"model is a DataFrame .*\(\)$"),
        (
            lambda s, m: sw.compare_periods(s, "Rowan", ["m01"], ["m02"], model=s),
            r"model is a DataFrame .*\(\)$",
        ),
    ],
)
def test_another_thing_of_the_package_in_its_place_is_refused(call, says, shots, model):
    with pytest.raises(DataError, match=f"^{says}"):
        call(shots, model)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda s, m: sw.Step.own(gap_m=(20, 50)), "gap_m holds 20"),
        (lambda s, m: sw.Step.own(room_m=(None, 150)), "room_m holds 150"),
        (lambda s, m: sw.BallStates(bands_m=(40, 60)), "bands_m holds 60"),
        (lambda s, m: sw.LooseBall(loose_from_m=50), "loose_from_m holds 50"),
        (lambda s, m: sw.choice_overlap(s, bands_m=(20, 60)), "bands_m holds 60"),
        (lambda s, m: sw.attack_effect(m, bands_m=(20, 60)), "bands_m holds 60"),
        (lambda s, m: sw.threshold_tilt(m, "Rowan", moves_m=[-10]), "moves_m holds -10"),
        (lambda s, m: sw.simex_thresholds(s, 5), "gap_sd_m holds 5"),
        (lambda s, m: sw.plan(half_width_m=15), "half_width_m holds 15"),
        (lambda s, m: sw.TinMargin(tin_height_m=48), "tin_height_m holds 48"),
        (lambda s, m: sw.TinMargin(tight_below_m=30), "tight_below_m holds 30"),
        (lambda s, m: sw.court_targets(width_m=80), "width_m holds 80"),
        (lambda s, m: sw.court_targets(depth_m=120), "depth_m holds 120"),
        (lambda s, m: m.predict_proba(s.assign(gap_m=40.0)), "gap_m holds 40"),
    ],
)
def test_centimetres_are_not_taken_for_metres(call, said, shots, model):
    with pytest.raises(DataError, match=rf"^{said} m \(centimetres\? divide by 100\)"):
        call(shots, model)
