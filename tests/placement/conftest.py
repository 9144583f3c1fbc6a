import importlib

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
