import importlib

import numpy as np
import pandas as pd
import pytest

import sidewall as sw


@pytest.fixture(scope="session")
def study():
    return importlib.import_module("placement_coverage")


@pytest.fixture(scope="session")
def ladder():
    folder = sw.simulate.synthetic_data_folder()
    return sw.shot_features(
        sw.read_shots(
            folder / "ladder.csv", players=folder / "players.csv", matches=folder / "matches.csv"
        )
    )


@pytest.fixture
def log():
    """Four rallies of a right-hander and an opponent, as they may be typed."""
    won = "winner"
    rows = [
        # rally, shot, player, side, stroke, direction, gap, x, y, bounce x, y, wall z, t, end
        (1, 1, "Hazel", "forehand", "serve", None, None, 5.0, 6.0, 1.0, 7.0, 2.5, 0.0, None),
        (1, 2, "Rowan", "backhand", "drive", "straight", 30, 0.3, 7.0, 0.5, 7.8, 1.6, 1.0, None),
        (1, 3, "Hazel", "backhand", "drop", "straight", 40, 0.4, 9.0, None, None, None, 2.5, "tin"),
        (2, 1, "Rowan", "forehand", "serve", None, None, 5.0, 6.0, 1.0, 7.0, 2.5, 9.0, None),
        (2, 2, "Hazel", "backhand", "drive", "cross", 30, 0.3, 7.0, 6.1, 7.0, 1.6, 10.0, None),
        (2, 3, "Rowan", "forehand", "drop", "straight", 40, 6.0, 8.5, 6.2, 0.6, 0.6, 11.0, won),
        (3, 1, "Rowan", "forehand", "serve", None, None, 5.0, 6.0, 1.0, 7.0, 2.5, 19.0, None),
        (3, 2, "Hazel", "backhand", "drive", "straight", 30, 0.3, 7.0, None, None, 1.6, 20.0, None),
        (3, 3, "Rowan", "backhand", "drive", "straight", 40, 0.4, 5.0, 0.3, 9.6, 3.0, 21.0, "out"),
        (4, 1, "Hazel", "forehand", "serve", None, None, 5.0, 6.0, 1.0, 7.0, 2.5, 29.0, None),
        (4, 2, "Rowan", "backhand", "drop", "straight", 30, 0.3, 7.0, 0.2, 0.9, 0.40, 30.0, "tin"),
    ]
    names = "rally shot player side stroke direction gap_cm x y bounce_x bounce_y wall_z t ending"
    table = pd.DataFrame(rows, columns=names.split())
    winners = {1: "Rowan", 2: "Rowan", 3: "Hazel", 4: "Hazel"}
    last = table["ending"].notna()
    table["rally_won_by"] = table["rally"].map(winners).where(last)
    return sw.read_shots(table.assign(match="final", game=1, hand="right"))


@pytest.fixture(scope="session")
def hard_placed(hard):
    """Few words and round lengths, blanks everywhere, and faults at the end of rallies."""

    def make(seed, **options):
        rng = np.random.default_rng([seed, 1])
        table = hard(seed, **options)
        last = table["ending"].notna().to_numpy()
        endings = ["tin", "out", "down", "winner", "let", "stroke"]
        told = table["ending"].astype(object).to_numpy(copy=True)
        told[last] = rng.choice(endings, last.sum())
        heights = rng.choice([np.nan, 0.3, 0.43, 0.48, 0.6, 0.9, 1.5], len(table))
        hand = table["player"].map({"Hazel": "left"}).astype(object).fillna("right")
        return table.assign(
            ending=pd.Categorical(told, dtype=table["ending"].dtype),
            wall_z_m=heights,
            hand=pd.Categorical(hand, categories=["right", "left"]),
        )

    return make
