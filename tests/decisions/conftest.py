import pytest

import sidewall as sw


@pytest.fixture(scope="session")
def model(shots):
    return sw.TightnessModel(draws=200).fit(shots)
