import numpy as np
import pytest

import sidewall as sw
from sidewall import simulate


@pytest.fixture(scope="session")
def players():
    names = ["Alder", "Birch", "Cedar", "Elm"]
    return simulate.draw_players(names, np.random.default_rng(5))


@pytest.fixture(scope="session")
def shots(players):
    return sw.shot_features(simulate.simulate_shots(players, simulate.round_robin(4, 6), rng=11))


@pytest.fixture(scope="session")
def chain(shots):
    return sw.RallyChain().fit(shots)
