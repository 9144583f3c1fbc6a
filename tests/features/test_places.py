from __future__ import annotations

import pandas as pd
import pytest

from sidewall.court.court import Court
from sidewall.court.zones import Zones
from sidewall.features.places import place_columns


def places(court=None, **columns):
    frame = pd.DataFrame({"stroke": ["drive"], "side": ["forehand"], "gap_m": [0.4]} | columns)
    return {
        name: None if pd.isna(v[0]) else v[0] for name, v in place_columns(frame, court).items()
    }


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


def test_own_court_and_own_boundaries():
    assert places(x_m=[5.5], y_m=[8.0])["lane"] == "right"
    assert places(Court.doubles(), x_m=[5.5], y_m=[8.0])["lane"] == "centre"
    assert places(Zones(back_begins_m=8.5), x_m=[5.5], y_m=[8.0])["depth"] == "middle"
