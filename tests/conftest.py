"""A small simulated ladder, made once for all tests that take it."""

import importlib.util
import os
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import settings
from threadpoolctl import threadpool_limits

import sidewall as sw
from sidewall import simulate
from sidewall.log.vocabulary import VOCABULARY

if "PYTEST_XDIST_WORKER" in os.environ:  # two workers with two threads each would wait in turn
    threadpool_limits(1, user_api="blas")

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


# -- hard logs -------------------------------------------------------------------------------

LADDER = ["Yew", "Rowan", "Hazel", "Alder"]


def _hard_shots(seed, matches=4, rallies=12, longest=8, blank=0.1):
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
    return _in_categories(table, LADDER)


def _in_categories(table, players):
    """Names and words as a log that was read has them."""
    table["match"] = pd.Categorical(table["match"])
    for column in ("player", "opponent", "rally_won_by"):
        table[column] = pd.Categorical(table[column], categories=players)
    for column, words in VOCABULARY.items():
        if column in table:
            table[column] = pd.Categorical(table[column], categories=words)
    return table


@pytest.fixture(scope="session")
def in_categories():
    return _in_categories


@pytest.fixture(scope="session")
def hard():
    return _hard_shots


#: Gaps on the borders of every class and band, and of the court.
BORDERS_M = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.8, 1.2, 3.2)
#: In this order, which is not that of the names; of the first, no winner is known.
MATCHES = {
    "m2": ("Alder", "Birch"),
    "m10": ("Birch", "Cedar"),
    "m1": ("Elm", "Cedar"),
    "m3": ("Birch", "Elm"),
}


def _with_blanks(rng, words, n, share=0.2):
    found = rng.choice(np.array(words, dtype=object), n)
    found[rng.random(n) < share] = None
    return found


@cache
def _hard_log(seed, rallies=40, short=True):
    """Features of a few random rallies; every column that may be blank is, here and there.

    Half of the gaps lie on a border. The first player has no decided rally, and the first
    category of players has no shot at all. With `short`, some balls have a gap in words, or
    no side.
    """
    rng = np.random.default_rng([seed, 77])
    rows = []
    for k in range(rallies):
        match = list(MATCHES)[k * len(MATCHES) // rallies]
        pair = MATCHES[match][:: rng.choice([1, -1])]
        n = int(rng.choice([1, 2, 3, 4, 6, 9]))
        winner = None if match == "m2" or rng.random() < 0.1 else pair[rng.integers(2)]
        for shot in range(1, n + 1):
            last = shot == n
            striker = pair[(shot - 1) % 2]
            ending = "let" if winner is None else "winner" if winner == striker else "tin"
            rows.append(
                {
                    "match": match,
                    "game": 1 + k % (rallies // 4) // 5,
                    "rally": k + 1,
                    "shot": shot,
                    "player": striker,
                    "opponent": pair[shot % 2],
                    "rally_won_by": winner if last else None,
                    "ending": ending if last else None,
                }
            )
    table = pd.DataFrame(rows)
    n = len(table)
    serve = (table["shot"] == 1).to_numpy()
    words = {
        "stroke": ("drive", "drop", "boast"),
        "direction": ("straight", "cross"),
        "side": ("forehand", "backhand"),
        "contact": ("volley", "after_bounce", "off_back_wall"),
        "choice": ("attack", "reset"),
        "balance": ("set", "stretched", "jammed"),
        "depth": ("front", "middle", "back"),
        "opponent_place": ("in_front", "behind", "out_of_the_way"),
    }
    table = table.assign(**{name: _with_blanks(rng, some, n) for name, some in words.items()})
    table["stroke"] = np.where(serve, "serve", rng.choice(words["stroke"], n))
    table["choice"] = table["choice"].where(~serve, None)
    gap = np.where(rng.random(n) < 0.5, rng.choice(BORDERS_M, n), rng.gamma(2.0, 0.3, n).clip(0, 3))
    gap[rng.random(n) < np.where(serve, 0.9, 0.2)] = np.nan
    if short:
        told = (rng.random(n) < np.where(np.isnan(gap), 0.7, 0.2)) & ~serve
        table["gap_class"] = np.where(told, rng.choice(["tight", "middling", "loose"], n), None)
    else:
        gap[table["side"].isna()] = np.nan
    table["gap_m"] = gap
    for name, most in (("x_m", 6.4), ("y_m", 9.75), ("opponent_x_m", 6.4), ("opponent_y_m", 9.75)):
        table[name] = np.where(rng.random(n) < 0.5, np.nan, rng.uniform(0, most, n))
    for name in ("player", "opponent", "rally_won_by"):
        table[name] = pd.Categorical(table[name], ["Ash", "Birch", "Alder", "Elm", "Cedar"])
    table["match"] = pd.Categorical(table["match"], [*MATCHES])
    features = sw.shot_features(table)
    # read off the words alone, so that words and places are blank apart
    for name in ("depth", "opponent_place"):
        features[name] = pd.Categorical(_with_blanks(rng, words[name], n), words[name])
    return features


@pytest.fixture(scope="session")
def hard_log():
    return _hard_log
