import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.court import DEPTHS, LANES, Court, Zones, gap_from_x, wall_of
from sidewall.errors import DataError, UnitError

COURTS = [Court(), Court.doubles(), Court(tin_height_m=0.43)]


@pytest.mark.parametrize("court", COURTS)
def test_rectangles_tile_the_floor(court):
    zones = Zones(court).rectangles()
    assert list(zones) == [(depth, lane) for depth in DEPTHS for lane in LANES]
    area = sum(box.width * box.depth for box in zones.values())
    assert area == pytest.approx(court.width_m * court.length_m)


@given(st.sampled_from(COURTS), st.floats(0, 1), st.floats(0, 1))
def test_every_point_lies_in_the_rectangle_of_its_zone(court, across, along):
    x, y = across * court.width_m, along * court.length_m
    depth, lane = Zones(court).zone_of([x], [y])
    assert Zones(court).rectangles()[depth[0], lane[0]].contains(x, y)


def test_defaults_follow_the_lines():
    zones = Zones()
    assert zones.depth_edges_m == pytest.approx((3.89, 7.09))
    assert zones.lane_edges_m == pytest.approx((1.6, 4.8))


def test_boundaries_are_parameters():
    zones = Zones(Court(), front_ends_m=2.0, back_begins_m=6.0, side_lane_m=1.0)
    depth, lane = zones.zone_of([0.9, 1.0, 5.4], [1.9, 2.0, 6.0])
    assert list(depth) == ["front", "middle", "back"]
    assert list(lane) == ["left", "centre", "right"]


def test_off_the_floor_or_missing_is_missing():
    depth, lane = Zones().zone_of([-0.1, 3.0, np.nan, 6.5], [1.0, 9.8, 1.0, 1.0])
    assert depth.isna().all()
    assert lane.isna().all()


@pytest.mark.parametrize(
    "bad",
    [{"front_ends_m": 8.0}, {"back_begins_m": 9.75}, {"side_lane_m": 3.2}, {"side_lane_m": 0}],
)
def test_boundaries_out_of_order(bad):
    with pytest.raises(UnitError):
        Zones(Court(), **bad)


def test_gap_from_x():
    gap, wall = gap_from_x([0.3, 6.0, 3.2, np.nan, 7.0])
    np.testing.assert_allclose(gap, [0.3, 0.4, 3.2, np.nan, np.nan])
    assert list(wall[:2]) == ["left", "right"]
    assert wall.isna()[2:].all()


@given(st.floats(0, 6.4))
def test_gap_never_exceeds_half_the_width(x):
    gap, _ = gap_from_x([x])
    assert 0 <= gap[0] <= 3.2


@pytest.mark.parametrize(
    ("side", "hand", "wall"),
    [
        ("forehand", "right", "right"),
        ("backhand", "right", "left"),
        ("forehand", "left", "left"),
        ("backhand", "left", "right"),
    ],
)
def test_wall_of(side, hand, wall):
    assert wall_of(side, hand) == wall
    assert list(wall_of([side, side], hand)) == [wall, wall]
    assert list(wall_of(side, [hand])) == [wall]


def test_wall_of_missing_and_unknown():
    walls = wall_of(["forehand", None], ["right", "left"])
    assert walls[0] == "right"
    assert walls.isna()[1]
    with pytest.raises(DataError, match="sideways"):
        wall_of(["sideways"], "right")
    with pytest.raises(DataError, match="sideways"):
        wall_of("sideways", "right")


@pytest.mark.parametrize(
    ("across", "behind", "place"),
    [
        (0.0, -0.6, "in_front"),
        (2.8, -3.6, "in_front"),  # the opponent on the T, the ball in a back corner
        (0.0, 0.6, "behind"),
        (-1.0, 3.0, "behind"),
        (0.5, 0.5, "out_of_the_way"),  # level
        (0.5, -0.4, "out_of_the_way"),
        (3.3, -3.0, "out_of_the_way"),
        (-3.3, 3.0, "out_of_the_way"),
    ],
)
def test_where_the_opponent_is(across, behind, place):
    assert Zones().opponent_place([across], [behind]).tolist() == [place]


def test_bounds_of_the_opponent_s_place_can_be_set():
    assert Zones(level_m=1.0).opponent_place([0.0], [0.9]).tolist() == ["out_of_the_way"]
    assert Zones(far_across_m=2.0).opponent_place([2.5], [-3.0]).tolist() == ["out_of_the_way"]
    assert Zones().opponent_place([np.nan, 0.0], [1.0, np.nan]).isna().all()
    for wrong in ({"level_m": -0.1}, {"far_across_m": 0.0}):
        with pytest.raises(UnitError, match="level_m"):
            Zones(**wrong)


def test_where_a_ball_bounces_is_told_by_the_service_boxes():
    court = Court()
    edges = [court.short_line_y_m, court.service_box_back_y_m]
    y = [0.0, edges[0] - 0.01, edges[0], edges[1] - 0.01, edges[1], court.length_m, 9.8, np.nan]
    words = Zones().bounce_of(y)
    assert words[:6].tolist() == ["short"] * 2 + ["service_box"] * 2 + ["behind_box"] * 2
    assert words[6:].isna().all()
