import pytest

import sidewall as sw


@pytest.fixture(scope="session")
def model(shots):
    return sw.TightnessModel(transform="log1p").fit(shots)
