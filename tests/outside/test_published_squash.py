"""The synthetic ladder against published figures of elite squash.

The shares of the back corners and the tempo were fitted to these figures, so these tests
guard the fit and are no independent evidence. Their tolerances, 4 percentage points and
0.05 s, were set before the fit. Rallies were not fitted, and the wide range for them was
set when their length was known. `synthetic_data/README.md` prints how near the ladder is;
a test here holds that table to the data.

Sources: Vuckovic et al. 2013, Journal of Sports Science and Medicine 12:66-73 (shares of
shots from the back corners, right-handers); a published comparison of 18,425 men's and
10,014 women's shots, 2023, ProQuest 2821425897 (tempo, length of rallies, backhands).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall.simulate as sim
from sidewall.court import Zones

BACK_LEFT, BACK_RIGHT = 37.2, 17.3  # per cent, Vuckovic et al. 2013
BACKHANDS = 100 * 2 / 3  # two to one, 2023 comparison
TEMPO_MEN, TEMPO_WOMEN = 1.34, 1.39  # seconds a shot, 2023 comparison
RALLY_MEN, RALLY_WOMEN = 25.1, 17.2  # seconds, 2023 comparison
POINTS, SECONDS = 4.0, 0.05


def figures(shots: pd.DataFrame) -> dict[str, float]:
    returns = shots[shots["stroke"] != "serve"]
    right_handed = returns[returns["hand"] == "right"]
    depth, lane = Zones().zone_of(right_handed["x_m"], right_handed["y_m"])
    back, side = np.asarray(depth) == "back", np.asarray(lane)
    time = shots.groupby(["match", "game", "rally"], observed=True)["t_s"]
    return {
        "back left": 100 * float((back & (side == "left")).mean()),
        "back right": 100 * float((back & (side == "right")).mean()),
        "backhands": 100 * float((returns["side"] == "backhand").mean()),
        "seconds a shot": float(time.diff().mean()),
        "seconds a rally": float((time.max() - time.min()).mean()),
    }


@pytest.fixture(scope="module", params=[None, 1, 2], ids=["ladder", "seed 1", "seed 2"])
def found(request: pytest.FixtureRequest) -> dict[str, float]:
    return figures(sim.club_ladder().shots(request.param))


def test_shots_from_the_back_corners(found: dict[str, float]) -> None:
    assert found["back left"] == pytest.approx(BACK_LEFT, abs=POINTS)
    assert found["back right"] == pytest.approx(BACK_RIGHT, abs=POINTS)


def test_backhands_about_two_to_one(found: dict[str, float]) -> None:
    assert found["backhands"] == pytest.approx(BACKHANDS, abs=POINTS)


def test_tempo(found: dict[str, float]) -> None:
    assert TEMPO_MEN - SECONDS < found["seconds a shot"] < TEMPO_WOMEN + SECONDS


def test_rallies_are_shorter_than_the_elites_but_not_half(found: dict[str, float]) -> None:
    assert RALLY_WOMEN / 2 < found["seconds a rally"] < RALLY_MEN


def test_the_readme_states_what_the_ladder_gives() -> None:
    text = (sim.synthetic_data_folder() / "README.md").read_text(encoding="utf-8")
    stated = {}
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("| ").split("|")]
        if len(cells) == 4 and cells[0] not in ("what", "---"):
            stated[cells[0]] = cells[2]
    given = figures(sim.club_ladder().shots())
    assert stated["shots from the back left, right-handers (%)"] == f"{given['back left']:.1f}"
    assert stated["shots from the back right, right-handers (%)"] == f"{given['back right']:.1f}"
    assert stated["backhands (%)"] == f"{given['backhands']:.1f}"
    assert stated["seconds a shot"] == f"{given['seconds a shot']:.3f}"
    assert stated["seconds a rally"] == f"{given['seconds a rally']:.1f}"
