from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall.simulate as sim


@pytest.fixture(scope="session")
def ladder() -> sim.Scenario:
    return sim.club_ladder()


@pytest.fixture(scope="session")
def ladder_shots(ladder: sim.Scenario) -> pd.DataFrame:
    return ladder.shots()


@pytest.fixture(scope="session")
def alike_shots() -> pd.DataFrame:
    """Many matches between players alike: the chances hang on ball and stroke alone."""
    players = [sim.SimPlayer("Rowan"), sim.SimPlayer("Hazel", hand="left")]
    return sim.simulate_shots(players, [(0, 1)] * 500, rng=np.random.default_rng(11))
