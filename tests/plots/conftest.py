"""No window is opened, every figure is closed, and a small synthetic shot table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.log.vocabulary import VOCABULARY

plt.switch_backend("Agg")


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    plt.close("all")


@pytest.fixture
def placed_log() -> pd.DataFrame:
    """Rowan (right-handed) against Hazel: 60 rallies of four shots, every contact placed.

    Shot 2 is struck in the front left corner, shot 3 at the back right, shot 4 in the middle.
    """
    rallies = 60
    n = 4 * rallies
    rally, shot = np.repeat(np.arange(rallies), 4), np.tile([1, 2, 3, 4], rallies)
    server = np.where(np.arange(rallies) % 2 == 0, "Rowan", "Hazel")
    receiver = np.where(np.arange(rallies) % 2 == 0, "Hazel", "Rowan")
    player = np.where(shot % 2 == 1, server[rally], receiver[rally])
    opponent = np.where(shot % 2 == 1, receiver[rally], server[rally])
    rng = np.random.default_rng(1)
    winner = np.where(rng.random(rallies) < 0.6, "Rowan", "Hazel")
    won_by, ending = np.full(n, None, dtype=object), np.full(n, None, dtype=object)
    won_by[3::4] = winner
    ending[3::4] = np.where(winner == receiver, "winner", "tin")
    frame = pd.DataFrame(
        {
            "match": pd.Categorical(["final"] * n),
            "game": 1,
            "rally": rally + 1,
            "shot": shot,
            "player": pd.Categorical(player, categories=["Rowan", "Hazel"]),
            "opponent": pd.Categorical(opponent, categories=["Rowan", "Hazel"]),
            "side": np.where(shot == 2, "backhand", "forehand"),
            "stroke": np.choose(shot - 1, ["serve", "drive", "drop", "kill"]),
            "gap_m": np.choose(shot - 1, [np.nan, 0.3, 0.5, 2.0]) + rng.normal(0, 0.05, n),
            "choice": np.choose(shot - 1, [None, "reset", "attack", "attack"]),
            "x_m": np.choose(shot - 1, [5.0, 0.3, 5.9, 3.2]),
            "y_m": np.choose(shot - 1, [6.0, 1.0, 9.0, 5.0]),
            "hand": pd.Categorical(["right"] * n, categories=["right", "left"]),
            "rally_won_by": pd.Categorical(won_by, categories=["Rowan", "Hazel"]),
            "ending": ending,
            "line": np.arange(n) + 2,
        }
    )
    for column, words in VOCABULARY.items():
        if column in frame:
            frame[column] = pd.Categorical(frame[column], categories=words)
    return frame
