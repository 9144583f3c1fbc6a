import pytest

import sidewall as sw
from sidewall import simulate


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
