"""A small simulated ladder, made once for all tests that take it."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

import sidewall as sw
from sidewall import simulate

# how long an example takes says more about the machine than about the code
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


@pytest.fixture(scope="session", autouse=True)
def _no_cache_of_the_users(tmp_path_factory):
    """What commands keep for the next page goes to a folder of the test run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def players():
    names = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"]
    return simulate.draw_players(names, np.random.default_rng(12))


@pytest.fixture(scope="session")
def schedule():
    return simulate.round_robin(6, 4)


@pytest.fixture(scope="session")
def shots(players, schedule):
    return sw.shot_features(simulate.simulate_shots(players, schedule, rng=21))


@pytest.fixture(scope="session")
def study():
    """The study of charting: a camera of which everything is known, and a match to chart."""
    spec = importlib.util.spec_from_file_location(
        "charting_study", Path(__file__).parent / "studies" / "charting.py"
    )
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    return module
