import importlib
from dataclasses import replace

import numpy as np
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.progress import compare_periods, join_logs

NAMES = ["Alder", "Birch", "Cedar", "Rowan"]


@pytest.fixture(scope="session")
def study():
    return importlib.import_module("progress_false_alarms")


@pytest.fixture(scope="session")
def ladders():
    """Players and plan before and after: Rowan's attack and habits change a lot."""
    players = simulate.draw_players(NAMES, np.random.default_rng(4), spread=0.5)
    better = replace(players[3], touch=players[3].touch + 1.2, attack_from_m=np.full((2, 2), 0.3))
    plan = simulate.round_robin(4, 6)
    return (players, plan), ([*players[:3], better], plan)


@pytest.fixture(scope="session")
def logs(ladders):
    rng = np.random.default_rng(9)
    return tuple(simulate.simulate_shots(players, plan, rng) for players, plan in ladders)


@pytest.fixture(scope="session")
def joined(logs):
    return join_logs(*logs)


@pytest.fixture(scope="session")
def compared(logs):
    model = sw.TightnessModel(draws=200)
    return compare_periods(logs[0], "Rowan", later=logs[1], model=model)
