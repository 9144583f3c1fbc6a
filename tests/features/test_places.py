from __future__ import annotations

import pandas as pd
import pytest

from sidewall.court.court import Court
from sidewall.court.zones import Zones
from sidewall.features.places import place_columns


def places(court=None, wanted=("depth", "lane", "wall"), **columns):
    frame = pd.DataFrame({"stroke": ["drive"], "side": ["forehand"], "gap_m": [0.4]} | columns)
    found = place_columns(frame, court)
    return {name: None if pd.isna(found[name][0]) else found[name][0] for name in wanted}


def test_x_goes_before_side_and_hand():
    got = places(x_m=[0.4], y_m=[8.0], hand=["right"])
    assert got == {"depth": "back", "lane": "left", "wall": "left"}


@pytest.mark.parametrize(
    ("side", "hand", "wall"),
    [
        ("forehand", "right", "right"),
        ("backhand", "right", "left"),
        ("forehand", "left", "left"),
        ("backhand", "left", "right"),
    ],
)
def test_wall_and_lane_from_the_hand(side, hand, wall):
    got = places(side=[side], hand=[hand])
    assert got == {"depth": None, "lane": wall, "wall": wall}
    assert places(side=[side], hand=[hand], gap_m=[2.0])["lane"] == "centre"


def test_gap_beyond_the_middle_tells_no_lane():
    assert places(hand=["right"], gap_m=[5.5])["lane"] is None


def test_depth_from_y_alone_and_nothing_from_nothing():
    assert places(y_m=[1.0]) == {"depth": "front", "lane": None, "wall": None}
    assert places() == {"depth": None, "lane": None, "wall": None}


def test_serve_has_no_wall_from_the_hand():
    assert places(stroke=["serve"], hand=["right"], gap_m=[float("nan")])["wall"] is None


def test_words_do_where_nothing_was_measured():
    words = {"depth": ["back"], "lane": ["left"], "opponent_place": ["behind"], "bounce": ["short"]}
    got = places(wanted=("depth", "lane", "opponent_place", "bounce"), **words)
    assert got == {name: found[0] for name, found in words.items()}
    # The word tells the wall, and the gap how far from it.
    assert places(lane=["left"], hand=["right"])["wall"] == "left"
    assert places(lane=["left"], gap_m=[2.5])["lane"] == "centre"
    assert places(lane=["centre"], gap_m=[float("nan")])["lane"] == "centre"


def test_measures_go_before_words():
    got = places(
        wanted=("depth", "lane", "wall", "opponent_place", "bounce"),
        **{"depth": ["front"], "lane": ["right"], "opponent_place": ["behind"]},
        **{"bounce": ["short"], "x_m": [0.4], "y_m": [8.0], "bounce_y_m": [7.5]},
        **{"opponent_x_m": [3.2], "opponent_y_m": [5.4]},
    )
    assert got == {
        **{"depth": "back", "lane": "left", "wall": "left"},
        **{"opponent_place": "in_front", "bounce": "behind_box"},
    }


def test_places_told_again_with_other_bounds_do_not_take_their_own_words_for_charted():
    shots = pd.DataFrame(
        {"stroke": ["drive"], "side": ["forehand"], "gap_m": [1.8], "hand": ["right"]}
    )
    once = shots.assign(**place_columns(shots))
    wide = Zones(side_lane_m=2.0)
    assert place_columns(once)["lane"][0] == "centre"
    assert place_columns(once, wide)["lane"][0] == place_columns(shots, wide)["lane"][0] == "right"


def test_own_court_and_own_boundaries():
    assert places(x_m=[5.5], y_m=[8.0])["lane"] == "right"
    assert places(Court.doubles(), x_m=[5.5], y_m=[8.0])["lane"] == "centre"
    assert places(Zones(back_begins_m=8.5), x_m=[5.5], y_m=[8.0])["depth"] == "middle"
