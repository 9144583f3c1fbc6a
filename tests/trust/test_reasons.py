import numpy as np
import pandas as pd
import pytest

from sidewall import simulate
from sidewall.features import shot_features
from sidewall.models.usable import usable_shots
from sidewall.trust import REASONS, logged_reasons


@pytest.fixture(scope="module")
def used():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(1))
    shots = shot_features(simulate.simulate_shots(players, [(0, 1)] * 3, rng=2))
    return usable_shots(shots)[0]


def test_everything_logged_is_taken_up(used):
    found = logged_reasons(used)
    assert set(found.names) | set(found.left_out) == set(REASONS)
    assert {"y_m", "balance", "lead", "opponent_from_t_m", "player"} <= set(found.names)
    assert found.columns.notna().all(axis=None)


def test_nothing_that_comes_after_the_choice_is_taken_up(used):
    # what happens after the shot is a result of the choice; scrambling it must change nothing
    later = ["reply_gap_m", "opponent_distance_m", "shots_left", "bounce_x_m", "bounce_y_m"]
    later += ["wall_z_m", "won", "outcome", "stroke", "direction", "rally_length"]
    mixed = used.copy()
    for name in later:
        mixed[name] = used[name].sample(frac=1.0, random_state=3).to_numpy()
    pd.testing.assert_frame_equal(logged_reasons(used).columns, logged_reasons(mixed).columns)


def test_missing_numbers_get_a_column_that_says_so(used):
    half = used.assign(tempo_s=used["tempo_s"].where(np.arange(len(used)) % 2 == 0))
    columns = logged_reasons(half).columns
    assert columns["tempo_s missing"].mean() == pytest.approx(0.5, abs=0.01)
    assert columns.loc[columns["tempo_s missing"] == 1, "tempo_s"].eq(0.0).all()


def test_rare_words_join_the_commonest(used):
    rare = used.assign(balance=np.where(np.arange(len(used)) < 5, "jammed", "set"))
    found = logged_reasons(rare, ["balance", "side"])
    assert found.names == ["side"]
    assert found.left_out == {"balance": "hardly varies"}


def test_a_column_of_ones_own(used):
    tired = used.assign(tired=np.where(np.arange(len(used)) % 3 == 0, "yes", "no"))
    assert list(logged_reasons(tired, ["tired"]).columns) == ["tired=yes"]
