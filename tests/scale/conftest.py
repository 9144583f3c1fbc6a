import numpy as np
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.scale import write_partitions


@pytest.fixture(scope="session")
def shots():
    """Six players, 15 matches, about 15,000 shots, as read_shots would give them."""
    names = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"]
    players = simulate.draw_players(names, np.random.default_rng(12))
    return simulate.simulate_shots(players, simulate.round_robin(6, 5), rng=21)


@pytest.fixture(scope="session")
def folder(shots, tmp_path_factory):
    """The same, in files of a few matches each."""
    home = tmp_path_factory.mktemp("log") / "federation"
    write_partitions(shots, home, shots_per_part=2_500)
    return home


@pytest.fixture(scope="session", params=["rally", "value"])
def outcome(request):
    return request.param


@pytest.fixture(scope="session")
def whole(shots):
    """Fits to the table in memory, by outcome."""
    return {
        outcome: sw.TightnessModel(outcome=outcome, draws=200).fit(shots)
        for outcome in ("rally", "value")
    }
