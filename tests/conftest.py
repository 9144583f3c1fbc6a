"""A small simulated ladder, made once for all tests that take it."""

import importlib.util
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
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


# -- hard logs -------------------------------------------------------------------------------

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
