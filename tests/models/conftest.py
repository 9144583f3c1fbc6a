import numpy as np
import pytest

import sidewall as sw
from sidewall import simulate


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
def truth(players, schedule):
    return simulate.true_thresholds(players, schedule)


@pytest.fixture(scope="session")
def by_rally(shots):
    return sw.TightnessModel(outcome="rally", transform="log1p").fit(shots)


@pytest.fixture(scope="session")
def by_value(shots):
    return sw.TightnessModel(outcome="value", transform="log1p").fit(shots)


@pytest.fixture(params=["rally", "value"])
def model(request, by_rally, by_value):
    return {"rally": by_rally, "value": by_value}[request.param]
