import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

import sidewall as sw


def planted_table(rng, rallies=1500, worth=1.0, tempts=1.5, flat=0.0):
    """Four players, three shots a rally by one player; balance drives choice and result.

    The log odds of winning are ``4 (gap - 0.5)`` when attacking, `flat` when resetting, and
    `worth` more from a set ball; log odds of attacking are ``4 (gap - 0.5)`` and `tempts` more.
    Shots of a rally are independent here.
    """
    n = 4 * rallies * 3
    rally = np.repeat(np.arange(4 * rallies), 3)
    gap = rng.uniform(0.05, 1.2, n).round(2)
    set_ball = rng.random(n) < 0.5
    attack = rng.random(n) < expit(4.0 * (gap - 0.5) + tempts * (set_ball - 0.5))
    eta = np.where(attack, 4.0 * (gap - 0.5), flat) + worth * (set_ball - 0.5)
    names = np.array(["Alder", "Birch", "Cedar", "Elm"])
    table = pd.DataFrame(
        {
            "match": np.char.add("m", (rally // 100).astype(str)),
            "game": 1,
            "rally": rally,
            "player": names[(rally // 25) % 4],
            "opponent": "Fir",
            "is_server": True,
            "side": np.where(rng.random(n) < 0.5, "forehand", "backhand"),
            "stroke": "drive",
            "family": "ground",
            "choice": np.where(attack, "attack", "reset"),
            "balance": np.where(set_ball, "set", "stretched"),
            "gap_m": gap,
            "rally_id": rally,
            "won": (rng.random(n) < expit(eta)).astype(float),
        }
    )
    return table.assign(depth=None, lane=None, wall=None)


def true_gain(gap, worth=1.0, flat=0.0):
    """Chance of winning, attacking minus resetting, over set and stretched balls alike."""
    gap = np.asarray(gap, dtype=float)
    each = [expit(4.0 * (gap - 0.5) + worth * s) - expit(flat + worth * s) for s in (-0.5, 0.5)]
    return np.mean(each, axis=0)


@pytest.fixture(scope="session")
def planted():
    return planted_table(np.random.default_rng(5))


@pytest.fixture(scope="session")
def gain():
    return true_gain


@pytest.fixture(scope="session")
def make_table():
    return planted_table


@pytest.fixture(scope="session")
def model(planted):
    return sw.TightnessModel(outcome="rally", situation=(), draws=400).fit(planted)
