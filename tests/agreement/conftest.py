import numpy as np
import pandas as pd
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


@pytest.fixture(scope="session")
def charted_again():
    """The same matches by a second hand: words changed or left blank, rallies and shots missed."""

    def again(shots, seed, late_s=0.0):
        rng = np.random.default_rng([seed, 2])
        kept = []
        for _, rally in shots.groupby(["match", "game", "rally"], sort=False, observed=True):
            rows, drawn = list(rally.index), rng.random(3)
            if drawn[0] < 0.1:
                continue
            if drawn[1] < 0.3 and len(rows) > 4:  # two in the middle, so that turns are kept
                at = 1 + int(drawn[2] * (len(rows) - 3))
                rows = rows[:at] + rows[at + 2 :]
            kept += rows
        table = shots.loc[kept].reset_index(drop=True)
        keys = ["match", "game", "rally"]
        table["shot"] = table.groupby(keys, sort=False, observed=True).cumcount() + 1
        last = table.groupby(keys, sort=False, observed=True)["shot"].transform("size")
        last = (table["shot"] == last).to_numpy()
        for name in ("side", "stroke", "direction", "contact", "choice", "balance", "ending"):
            words = table[name].astype(object).to_numpy(copy=True)
            known = [word for word in table[name].cat.categories if word != "serve"]
            other = rng.choice([*known, *([] if name == "ending" else [None])], len(words))
            where = (rng.random(len(words)) < 0.15) & (last if name == "ending" else True)
            where &= (words != "serve") if name == "stroke" else True
            words[where] = other[where]
            table[name] = pd.Categorical(words, dtype=table[name].dtype)
        for name, steps in (
            ("gap_m", [0.0, 0.1, 0.7]),
            ("x_m", [0.0, 0.2]),
            ("y_m", [-0.1, 0.1]),
            ("bounce_x_m", [0.0, np.nan]),
            ("t_s", [0.0, 0.5, 2.0]),
        ):
            table[name] = table[name] + rng.choice(steps, len(table))
        return table.assign(t_s=table["t_s"] + late_s, line=np.arange(len(table)) + 2)

    return again
