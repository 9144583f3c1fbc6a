"""The demonstration log and its work lists, each made once."""

import numpy as np
import pytest

import sidewall as sw
from sidewall.worklist import WorkList
from sidewall.worklist.ladder import Ladder


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


@pytest.fixture(scope="session")
def small(shots):
    return shots[shots["match"].astype(str).isin(["m01", "m02", "m03", "m04"])].reset_index(
        drop=True
    )


@pytest.fixture(scope="session")
def redrawn(small):
    """A ladder by a model without a value of a ball of its own."""
    model = sw.TightnessModel(outcome="rally", draws=200)
    return Ladder(small, model, 50, np.random.default_rng(5))
