import math
from itertools import product

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError
from sidewall.progress import plan
from sidewall.progress.plan import (
    _following,
    _median,
    _MoreMatches,
    _needed,
    _one,
    _row,
    _source,
)


@pytest.fixture(scope="module")
def small():
    players = simulate.draw_players(["Alder", "Birch", "Rowan"], np.random.default_rng(3))
    return simulate.simulate_shots(players, simulate.round_robin(3, 6), rng=5, games_to_win=2)


@pytest.fixture(scope="module")
def found(small):
    return plan(small, "Rowan", matches=[8, 1], simulations=2, half_width_m=0.2)


@pytest.mark.slow
def test_more_matches_know_more(found):
    assert found.table["n_matches"].tolist() == [1, 8]
    few, many = found.table.to_dict("records")
    assert many["half_width_m"] <= few["half_width_m"]  # both may be open
    assert many["known"] >= few["known"]
    assert many["n_shots"] > 4 * few["n_shots"]
    for row in (few, many):
        assert row["half_width_low_m"] <= row["half_width_m"] <= row["half_width_high_m"]
        assert row["sets"] <= 8
    assert "Rowan's 4 matches" in found.source


@pytest.mark.slow
def test_the_same_seed_gives_the_same_plan(small):
    one, two = (plan(small, "Rowan", matches=[1], simulations=2, seed=1).table for _ in range(2))
    pd.testing.assert_frame_equal(one, two)


@pytest.mark.slow
def test_drawn_matches_are_whole_and_the_others_stay(small):
    drawn = _MoreMatches(small, "Rowan").draw(5, np.random.default_rng(1))
    assert len(drawn) != len(_MoreMatches(small, "Rowan").draw(5, np.random.default_rng(2)))
    features = sw.shot_features(drawn)
    own = features[features["player"] == "Rowan"]
    assert own["match"].nunique() == 5
    others = small.groupby("match", observed=True)["player"].apply(lambda p: "Rowan" not in set(p))
    kept = others[others].index.astype(str)
    assert set(kept) < set(drawn["match"].astype(str))
    mine = small[small["match"].astype(str).isin(kept)]
    again = drawn[drawn["match"].astype(str).isin(kept)]
    assert again["gap_m"].reset_index(drop=True).equals(mine["gap_m"].reset_index(drop=True))


def test_a_drawn_match_has_the_rallies_of_one_match(small):
    """So many as that match had, and matches differ in what is drawn of them."""
    shots = small.assign(of=small["match"].astype(str))
    drawn = _MoreMatches(shots, "Rowan").draw(6, np.random.default_rng(1))
    drawn = drawn[drawn["match"].astype(str).str.startswith("drawn")]
    by = drawn.groupby(drawn["match"].astype(str))
    assert len(by) == 6
    assert all(len(set(some)) == 1 for _, some in by["of"])
    assert len(set(by["of"].first())) > 1
    rallies = shots.groupby(["match", "game"], observed=True)["rally"].nunique()
    rallies = rallies.groupby("match").sum()
    rallies.index = rallies.index.astype(str)
    assert (by["rally"].nunique() == rallies.loc[by["of"].first()].to_numpy()).all()


@pytest.mark.parametrize(("matches", "rough"), [(2, True), (3, False)])
def test_matches_drawn_from_too_few_are_rough(small, matches, rough):
    names = small["match"].astype(str)
    own = pd.unique(names[small["player"].astype(str) == "Rowan"])[:matches]
    source, _ = _source(small[names.isin(own)].reset_index(drop=True), "Rowan", None)
    assert f"Rowan's {matches} matches" in source
    assert ("take all numbers as rough" in source) == rough


def test_shots_and_rallies_are_those_of_a_player_on_average(small):
    """Of a game too short for a model."""
    few = small[(small["match"] == "m01") & (small["game"] == 1) & (small["rally"] <= 3)]
    found = next(_one(few.reset_index(drop=True), None, "rally", 0.95, {}))
    assert few["player"].nunique() == 2
    assert found["n_shots"] == few["player"].value_counts()[lambda n: n > 0].mean()
    assert np.isnan(found["half_width"])


@pytest.mark.parametrize(
    ("widths", "middle"),
    [
        ([0.3, 0.1, 0.2], 0.2),
        ([0.3, math.inf, math.inf], math.inf),
        ([0.3, 0.1, math.nan, math.nan], 0.3),
        ([math.nan], math.inf),
    ],
)
def test_the_middle_width_counts_open_intervals_as_widest(widths, middle):
    assert _median(np.array(widths)) == middle


def test_a_row_tells_of_all_simulations_and_of_those_drawn_again():
    """Two simulated logs; each of the four ways to draw two of them again is met often in 500."""
    widths = [[0.1, 0.4, -1.0], [0.2, np.nan, 0.6, np.inf]]
    known = [[True, True, True], [True, False, True, False]]
    rallies, shots = [30.0, 41.0], [200.5, 300.0]
    some = pd.DataFrame(
        [
            {"simulation": k, "half_width": w, "known": yes, "n_rallies": r, "n_shots": n}
            for k, (ws, told, r, n) in enumerate(zip(widths, known, rallies, shots, strict=True))
            for w, yes in zip(ws, told, strict=True)
        ]
    )
    found = _row(7, some, np.random.default_rng(0))

    def middle(which):
        kept = sorted(np.inf if np.isnan(w) else w for k in which for w in widths[k])
        kept = [w for w in kept if w >= 0]
        return kept[len(kept) // 2]

    every = sorted(middle(which) for which in product(range(2), repeat=2))
    assert found["half_width_m"] == middle(range(2)) == 0.6
    assert (found["half_width_low_m"], found["half_width_high_m"]) == (every[0], every[-1])
    shares = [1.0, 1 / 2]
    assert found["known"] == pytest.approx(np.mean(shares))
    assert found["known_error"] == pytest.approx(np.std(shares, ddof=1) / np.sqrt(2))
    means = [round(some["n_rallies"].mean()), round(some["n_shots"].mean())]
    assert [found["n_rallies"], found["n_shots"]] == means
    assert (found["n_matches"], found["sets"]) == (7, 5)


def test_a_threshold_has_a_width_where_it_is_known_and_crosses(small, monkeypatch):
    answers = pd.DataFrame(
        [
            ("Rowan", "crosses", 0.2, 0.7),
            ("Rowan", "not known yet", np.nan, np.nan),
            ("Rowan", "attack at any gap", np.nan, np.nan),
            ("Alder", "crosses", 0.1, 0.2),
        ],
        columns=["player", "status", "threshold_low_m", "threshold_high_m"],
    )
    asked = {}

    class Model:
        def __init__(self, **options):
            asked.update(options)

        def fit(self, table):
            return self

        def thresholds(self, level):
            asked["level"] = level
            return answers

    monkeypatch.setitem(_one.__globals__, "TightnessModel", Model)
    found = list(_one(small, "Rowan", "rally", 0.9, {"n_matches": 4}))
    assert asked == {"outcome": "rally", "draws": 300, "level": 0.9}
    assert [one["half_width"] for one in found] == pytest.approx([0.25, np.inf, -1.0])
    assert [one["known"] for one in found] == [True, False, True]
    own = small[small["player"] == "Rowan"]
    rallies = len(own[["match", "game", "rally"]].drop_duplicates())
    assert all((one["n_matches"], one["n_rallies"], one["n_shots"]) == (4, rallies, len(own))
               for one in found)  # fmt: skip
    assert len(list(_one(small, None, "rally", 0.9, {}))) == 4


@pytest.mark.parametrize(
    ("widths", "wanted", "matches", "how"),
    [
        ([0.4, 0.2, 0.1], 0.4, 1, "simulated"),
        ([0.4, 0.2, 0.1], 0.2, 4, "simulated"),
        ([0.4, 0.2, 0.1], 0.4 / math.sqrt(2), 2, "simulated"),
        ([math.inf, 0.2, 0.1], 0.3, 4, "simulated"),
        ([0.4, 0.2, 0.1], 0.05, 64, "forecast"),
        ([0.4, 0.2, 0.1], 0.01, math.inf, "out of reach"),
        ([math.inf, math.inf, math.inf], 0.5, math.inf, "out of reach"),
    ],
)
def test_how_many_are_needed(widths, wanted, matches, how):
    table = pd.DataFrame({"n_matches": [1, 4, 16], "half_width_m": widths})
    assert _needed(table, wanted) == (matches, how)


def test_fewer_matches_than_were_tried_are_never_said_to_be_enough():
    table = pd.DataFrame({"n_matches": [3, 12], "half_width_m": [0.2, 0.1]})
    for wanted in (0.2, 0.4, 0.9):
        assert _needed(table, wanted) == (3, "simulated")
    assert _needed(table.head(1), 0.4) == (3, "simulated")


@pytest.mark.slow
def test_questions_that_make_no_sense_are_refused(small):
    with pytest.raises(DataError, match="no shot is by 'Oak'"):
        plan(small, "Oak")
    with pytest.raises(DataError, match="no log is given"):
        plan(player="Rowan")
    with pytest.raises(DataError, match=r"simulations is .* at least 2"):
        plan(small, "Rowan", simulations=1)
    with pytest.raises(DataError, match="at least 1"):
        plan(small, "Rowan", matches=[0, 1])
    with pytest.raises(DataError, match="above 0"):
        plan(small, "Rowan", half_width_m=0.0)


@pytest.mark.slow
def test_without_a_log_the_club_plays():
    made = plan(matches=[1], simulations=2)
    assert made.source == "the invented club, 10 players"
    assert 0.1 < made.table["known"][0] < 0.9
    assert made.table["sets"][0] <= 2 * 10 * 4


def test_a_log_without_attacks_tells_nothing_of_what_to_chart_next(small):
    meek = small.assign(choice=small["choice"].mask(small["choice"] == "attack"))
    tables, opponents = _following(meek, "Rowan", "value", 0)
    assert not tables
    assert opponents.empty
