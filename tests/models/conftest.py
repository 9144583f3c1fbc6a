"""Four players whose differences are planted, and models fitted to their matches once."""

import numpy as np
import pytest

import sidewall as sw
from sidewall import simulate


@pytest.fixture(scope="session")
def players():
    """Alder attacks better on the forehand, Birch on the backhand; Cedar's reset is tight."""
    sides = np.array([[0.6, 0.6], [-0.6, -0.6]])  # two spreads of the ladder
    return [
        simulate.SimPlayer("Alder", touch=sides),
        simulate.SimPlayer("Birch", touch=-sides),
        simulate.SimPlayer("Cedar", length=np.full((2, 2), 0.5), touch=np.full((2, 2), -0.6)),
        simulate.SimPlayer("Elm"),
    ]


@pytest.fixture(scope="session")
def schedule():
    return simulate.round_robin(4, 9)


@pytest.fixture(scope="session")
def shots(players, schedule):
    return sw.shot_features(simulate.simulate_shots(players, schedule, rng=21))


@pytest.fixture(scope="session")
def truth(players, schedule):
    return simulate.true_thresholds(players, schedule)


@pytest.fixture(scope="session")
def by_rally(shots):
    """Judged by rally; the depth is told apart, strokes are not."""
    return sw.TightnessModel(
        outcome="rally", situation=("depth",), strokes=False, draws=100, seed=3
    ).fit(shots)


@pytest.fixture(scope="session")
def by_value(shots):
    """Everything told apart that is charted."""
    return sw.TightnessModel(draws=100, seed=3).fit(shots)


@pytest.fixture(params=["rally", "value"])
def model(request, by_rally, by_value):
    return {"rally": by_rally, "value": by_value}[request.param]
