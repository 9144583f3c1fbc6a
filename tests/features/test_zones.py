from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.features.shots import shot_features
from sidewall.features.zones import zone_features


def test_by_hand(three_rallies):
    z = zone_features(three_rallies, by=["player", "side"]).set_index(["player", "side"])
    assert z.index.tolist() == [
        ("Rowan", "forehand"), ("Rowan", "backhand"), ("Hazel", "forehand"), ("Hazel", "backhand"),
    ]  # fmt: skip
    rowan = z.loc["Rowan", "forehand"]  # a reset drive won, an attacking kill lost
    assert (rowan["n_shots"], rowan["n_rallies"], rowan["decided"]) == (2, 2, 2)
    assert rowan["share"] == pytest.approx(2 / 3)
    assert rowan["gap_m"] == pytest.approx((0.3 + 2.0) / 2)
    assert rowan["attack_share"] == rowan["win_rate"] == 0.5
    hazel = z.loc["Hazel", "forehand"]  # her only one was in the let
    assert (hazel["n_shots"], hazel["decided"], hazel["choices"]) == (1, 0, 1)
    assert np.isnan(hazel["win_rate"])
    assert np.isnan(hazel["n_effective"])


def test_against_pandas_groupby(make_log):
    shots = make_log(150, 11)
    f = shot_features(shots)
    f = f[f["stroke"] != "serve"]
    by = ["player", "side", "depth"]
    z = zone_features(shots)
    assert list(z.columns[:3]) == by
    grouped = f.groupby(by, observed=True, dropna=False)
    want = pd.DataFrame(
        {
            "n_shots": grouped.size(),
            "n_rallies": grouped["rally_id"].nunique(),
            "gap_m": grouped["gap_m"].median(),
            "gap_q1_m": grouped["gap_m"].quantile(0.25),
            "gap_q3_m": grouped["gap_m"].quantile(0.75),
            "attack_share": grouped["choice"].agg(lambda c: (c == "attack").mean()),
            "decided": grouped["won"].count(),
            "win_rate": grouped["won"].mean(),
        }
    ).reset_index()
    keys = [tuple("" if pd.isna(v) else v for v in row) for row in z[by].itertuples(index=False)]
    want.index = pd.Index(
        ["|".join("" if pd.isna(v) else v for v in row) for row in want[by].itertuples(index=False)]
    )
    want = want.loc[["|".join(key) for key in keys]].reset_index(drop=True)
    for column in want.columns.drop(by):
        np.testing.assert_allclose(z[column], want[column], err_msg=column)


def test_intervals_hold_their_estimates_and_no_shot_is_lost(make_log):
    shots = make_log(150, 11)
    z = zone_features(shots)
    assert z["n_shots"].sum() == (shots["stroke"] != "serve").sum()
    np.testing.assert_allclose(z.groupby("player", observed=True)["share"].sum(), 1.0)
    for value, low, high in (
        ("win_rate", "win_rate_low", "win_rate_high"),
        ("attack_share", "attack_share_low", "attack_share_high"),
        ("share", "share_low", "share_high"),
        ("gap_m", "gap_q1_m", "gap_q3_m"),
    ):
        known = z.dropna(subset=[value])
        assert ((known[low] <= known[value]) & (known[value] <= known[high])).all()
    assert (z["n_effective"] <= z["decided"]).all()


def test_wins_are_worth_fewer_shots_than_were_played(make_log):
    z = zone_features(make_log(150, 12), by=["player", "side"])
    assert (z["n_effective"] < 0.7 * z["decided"]).all()


def test_without_places_the_table_is_by_family(make_log):
    z = zone_features(make_log(20, 2, full=False))
    assert list(z.columns[:3]) == ["player", "side", "family"]
    assert set(z["family"]) == {"ground"}


def test_asking_for_what_was_not_logged(make_log):
    with pytest.raises(DataError, match=r"depth is not known.*y_m"):
        zone_features(make_log(20, 2, full=False), by=["player", "depth"])
    with pytest.raises(DataError, match="no column 'corner'"):
        zone_features(make_log(20, 2), by=["corner"])
    with pytest.raises(DataError, match="by is empty"):
        zone_features(make_log(20, 2), by=[])


def test_rows_of_a_feature_table_may_be_chosen(make_log):
    shots = make_log(80, 3)
    f = shot_features(shots)
    all_of_it = zone_features(shots, by=["player", "side"])
    own = zone_features(f[f["player"] == "Hazel"], by=["player", "side"])
    want = all_of_it[all_of_it["player"] == "Hazel"].reset_index(drop=True)
    pd.testing.assert_frame_equal(own, want)


def test_own_boundaries(make_log):
    shots = make_log(80, 3)
    usual = zone_features(shots, by="depth").set_index("depth")["n_shots"]
    deep = zone_features(shots, by="depth", court=Zones(back_begins_m=9.0))
    assert deep.set_index("depth")["n_shots"]["back"] < usual["back"]


def test_share_without_players_is_of_all_shots(make_log):
    z = zone_features(make_log(80, 3), by=["side"])
    assert z["share"].sum() == pytest.approx(1.0)


def test_empty(make_log):
    z = zone_features(make_log(2, 1).iloc[:0])
    assert len(z) == 0
    assert {"n_shots", "win_rate", "n_effective"} <= set(z.columns)
