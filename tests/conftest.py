"""A small simulated ladder, made once for all tests that take it."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import settings

import sidewall as sw
from sidewall import simulate
from sidewall.log.vocabulary import VOCABULARY

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


LADDER = ["Yew", "Rowan", "Hazel", "Alder"]


def hard_log(seed, matches=4, rallies=12, longest=8, blank=0.1):
    """Few words and round lengths, so that much is alike, and blanks wherever one may be.

    Yew, the first by name, never plays. The first match is of Rowan and Hazel and all lets.
    Lengths lie on the limits that tests ask for, and on the edges of zones.
    """
    rng = np.random.default_rng(seed)

    def some(values, share=blank):
        return None if rng.random() < share else values[rng.integers(len(values))]

    rows = []
    for match in range(matches):
        pair = [("Rowan", "Hazel"), ("Hazel", "Alder"), ("Alder", "Rowan")][match % 3]
        for rally in range(rallies):
            server = rng.integers(2)
            length = 1 if rally == 1 else int(rng.integers(1, longest + 1))
            for k in range(length):
                serve = k == 0
                row = {
                    "match": f"m{match}", "game": 1 + rally // 5, "rally": 1 + rally % 5,
                    "shot": k + 1,
                    "player": pair[(server + k) % 2], "opponent": pair[(server + k + 1) % 2],
                    "side": some(["forehand", "backhand"]),
                    "stroke": "serve" if serve else some(["drive", "drive", "drop", "lob"], 0.05),
                    "direction": some(["straight", "cross"]),
                    "contact": None if serve else some(["volley", "after_bounce", "off_back_wall"]),
                    "choice": None if serve else some(["attack", "reset"]),
                    "balance": some(["set", "stretched", "jammed"]),
                    "gap_m": None if serve else some([0.0, 0.1, 0.3, 0.5, 0.8, 1.2]),
                    "x_m": some([0.5, 1.6, 3.2, 6.0]), "y_m": some([1.0, 5.44, 7.0, 9.0]),
                    "opponent_x_m": some([0.5, 3.2, 6.0]), "opponent_y_m": some([1.0, 5.44, 9.0]),
                    "bounce_x_m": some([0.0, 1.5, 6.0]), "bounce_y_m": some([0.0, 4.0, 8.0]),
                    "rally_won_by": None, "ending": None,
                }  # fmt: skip
                rows.append(row)
            won = match > 0 and rng.random() < 0.9
            rows[-1]["rally_won_by"] = pair[rng.integers(2)] if won else None
            rows[-1]["ending"] = "stroke" if won else "let"
    table = pd.DataFrame(rows)
    table["t_s"] = np.cumsum(rng.integers(1, 9, len(table)) / 4.0)
    table["line"] = np.arange(len(table)) * 2 + 3
    for column in [name for name in table if name.endswith("_m")]:
        table[column] = table[column].astype(float)
    table["match"] = pd.Categorical(table["match"])
    for column in ("player", "opponent", "rally_won_by"):
        table[column] = pd.Categorical(table[column], categories=LADDER)
    for column, words in VOCABULARY.items():
        if column in table:
            table[column] = pd.Categorical(table[column], categories=words)
    return table


@pytest.fixture(scope="session")
def hard():
    return hard_log
