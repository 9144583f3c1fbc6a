"""What `help` says: every public name by task, its parameters, what is near it, and an example.

Examples go on from the lines at the head of the package, in a folder that holds the files they
read. Parameters that are another's stand in the list of parameters too, explained by "As in".
"""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import pkgutil
import re
from functools import reduce
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

import sidewall as sw
from sidewall import scoring, simulate

#: What its methods say, the simulation asks and nobody else.
INSIDE = {"simulate.World"}


def public():
    """Every public function and class, those of `scoring` and `simulate` too, by its name."""
    for name in sw.__all__:
        thing = getattr(sw, name)
        if thing in (scoring, simulate):
            parts = {part: getattr(thing, part) for part in thing.__all__}
            yield from ((f"{name}.{part}", one) for part, one in parts.items() if callable(one))
        elif not inspect.ismodule(thing):
            yield name, thing


def functions():
    """Every public function, class and method that is not another's done anew."""
    for name, thing in public():
        yield name, thing
        if inspect.isclass(thing) and name not in INSIDE:
            for method in vars(thing):
                one, above = getattr(thing, method), thing.__mro__[1:]
                anew = any(method in vars(other) for other in above)
                if not (method.startswith("_") or anew) and callable(one):
                    yield f"{name}.{method}", one


def of_parts():
    """Functions and classes that a part offers and the package does not, with Parameters."""
    everywhere = [thing for _, thing in public()]
    for part in pkgutil.iter_modules(sw.__path__):
        for name, thing in vars(importlib.import_module(f"sidewall.{part.name}")).items():
            ours = callable(thing) and getattr(thing, "__module__", "").startswith("sidewall")
            if part.ispkg and ours and thing not in everywhere and section(thing, "Parameters"):
                yield f"{part.name}.{name}", thing


def section(thing, heading):
    """The lines under a heading of a docstring."""
    found = re.search(
        rf"^{heading}\n-+\n(.*?)(?=\n[^\n]+\n---|\Z)", inspect.getdoc(thing) or "", re.S | re.M
    )
    return found[1].splitlines() if found else []


def listed(thing, heading):
    """The names that a section explains, each at the margin before a colon or alone."""
    heads = [line.split(" : ")[0] for line in section(thing, heading) if line[:1].strip()]
    return [name.strip().lstrip("*") for head in heads for name in head.split(",")]


#: Examples that take longer than a second or two, most as they fit again and again.
SLOW = {
    "plan",
    "plot_aim",
    "plot_calibration",
    "plot_front_wall_hits",
    "simex_thresholds",
    "threshold_agreement",
    "write_report",
}
NAMES = [pytest.param(thing, id=name) for name, thing in public()]
FUNCTIONS = [pytest.param(thing, id=name) for name, thing in functions()]
#: Those of a single part, as far as they explain parameters.
OF_PARTS = [pytest.param(thing, id=name) for name, thing in of_parts()]


def test_help_of_the_package_is_one_screen_that_names_everything_once():
    assert len(sw.__doc__.splitlines()) <= 45
    _, tasks = sw.__doc__.split("The names by task", 1)
    assert sorted(re.findall(r"`(\w+)`", tasks)) == sorted(sw.__all__)
    assert re.findall(r"`(\w+\.\w+\.\w+)`", tasks) == ["sidewall.combinations.search"]
    assert callable(importlib.import_module("sidewall.combinations").search)


@pytest.mark.parametrize("thing", FUNCTIONS + OF_PARTS)
def test_the_parameters_explained_are_those_there_are(thing):
    taken = [name for name in inspect.signature(thing).parameters if name not in ("self", "cls")]
    assert sorted(listed(thing, "Parameters")) == sorted(taken)


@pytest.mark.parametrize("thing", FUNCTIONS + OF_PARTS)
def test_every_parameter_may_be_given_by_its_name(thing):
    kinds = [one.kind for one in inspect.signature(thing).parameters.values()]
    assert inspect.Parameter.POSITIONAL_ONLY not in kinds


@pytest.mark.parametrize("thing", FUNCTIONS + OF_PARTS)
def test_a_default_that_is_named_is_the_one(thing):
    """Of numbers, words and yes or no; of an object, such as a court, the name says enough."""
    parameters = inspect.signature(thing).parameters
    for line in section(thing, "Parameters"):
        names, _, kind = line.partition(" : ")
        if not line[:1].strip() or ", default " not in kind:
            continue
        said = kind.rsplit(", default ", 1)[1]
        for name in names.split(","):
            default = parameters[name.strip()].default
            if default is None or isinstance(default, bool | int | float | str | tuple):
                assert ast.literal_eval(said) == default, name


@pytest.mark.parametrize("thing", FUNCTIONS + OF_PARTS)
def test_a_plain_default_is_named(thing):
    """But of the many switches of simulated players and worlds, where 0 is off."""
    if thing in (simulate.SimPlayer, simulate.World):
        return
    parameters = inspect.signature(thing).parameters
    heads = [line for line in section(thing, "Parameters") if line[:1].strip()]
    told = [line for line in heads if "default" in line or " : " not in line]
    named = {name.strip() for line in told for name in line.split(" : ")[0].split(",")}
    assert {name for name, one in parameters.items() if type(one.default) in (int, float)} <= named


@pytest.mark.parametrize("thing", FUNCTIONS)
def test_as_in_leads_to_parameters_of_that_name(thing):
    lines = section(thing, "Parameters")
    for line, below in pairwise(lines):
        found = re.match(r" +As in :\w+:`~?([\w.]+)`", below)
        if line[:1].strip() and found:
            names = {name.strip() for name in line.split(" : ")[0].split(",")}
            assert names - {"**options"} <= set(listed(reached(found[1], thing), "Parameters"))


def reached(path, thing):
    """What a name in a docstring stands for: of its own class, of the package, or in full."""
    owner = thing.__qualname__.split(".")[0]
    module = importlib.import_module(thing.__module__)
    for start in (getattr(module, owner, None), module, sw):
        try:
            return reduce(getattr, path.removeprefix("sidewall.").split("."), start)
        except AttributeError:
            continue
    pytest.fail(f"{thing.__qualname__} speaks of {path}, which is not there")


@pytest.mark.parametrize("thing", NAMES)
def test_see_also_names_what_is_there(thing):
    near = listed(thing, "See Also")
    assert near
    for name in near:
        assert reached(name, thing) is not thing


@pytest.fixture(scope="module")
def start(tmp_path_factory):
    """The lines at the head of the package, run in a folder with a small log."""
    folder = tmp_path_factory.mktemp("examples")
    players = simulate.draw_players(["Rowan", "Hazel", "Alder", "Cedar"], np.random.default_rng(1))
    log = simulate.to_log(
        simulate.simulate_shots(players, simulate.round_robin(4, 2), games_to_win=2, rng=2)
    )
    log.to_csv(folder / "ladder.csv", index=False)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        lines = doctest.DocTestParser().get_examples(sw.__doc__)
        names: dict[str, object] = {}
        exec("".join(line.source for line in lines), names)
        yield names


@pytest.mark.parametrize(
    "thing",
    [
        pytest.param(thing, id=name, marks=[pytest.mark.slow] * (name in SLOW))
        for name, thing in public()
    ],
)
def test_the_example_runs_and_gives_what_it_says(thing, start):
    assert section(thing, "Examples")
    finder = doctest.DocTestFinder(recurse=False)
    (example,) = finder.find(thing, globs=dict(start))
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS)
    with plt.rc_context({"backend": "agg"}), pd.option_context("display.width", 88):
        told: list[str] = []
        runner.run(example, out=told.append)
        plt.close("all")
    assert runner.failures == 0, "".join(told)
