"""The demonstration log and its work lists, each made once."""

import pytest

import sidewall as sw
from sidewall.worklist import WorkList


@pytest.fixture(scope="session")
def ladder():
    folder = sw.simulate.synthetic_data_folder()
    return sw.shot_features(
        sw.read_shots(
            folder / "ladder.csv", players=folder / "players.csv", matches=folder / "matches.csv"
        )
    )


@pytest.fixture(scope="session")
def model(ladder):
    return sw.TightnessModel().fit(ladder)


@pytest.fixture(scope="session")
def works(ladder, model):
    works = WorkList(model).fit(ladder)
    works.tables()
    return works
