import numpy as np
import pytest

from sidewall import simulate
from sidewall.simulate.charter import second_charter


@pytest.fixture(scope="session")
def ladder():
    """Six players, twelve matches."""
    players = simulate.draw_players(
        ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"], np.random.default_rng(12)
    )
    return simulate.simulate_shots(players, simulate.round_robin(6, 4), rng=21)


@pytest.fixture(scope="session")
def match(ladder):
    return ladder[(ladder["match"] == "m01").to_numpy()].reset_index(drop=True)


@pytest.fixture(scope="session")
def two_charters(match):
    errors = {"miss": 0.01, "miss_rally": 0.03, "confuse": 0.05, "gap_sd_m": 0.07,
              "place_sd_m": 0.1, "time_sd_s": 0.3}  # fmt: skip
    return tuple(second_charter(match, **errors, seed=seed) for seed in (3, 4))
