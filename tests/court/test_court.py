import dataclasses

import pytest

from sidewall.court import Court
from sidewall.errors import UnitError


def test_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Court().width_m = 7.0


def test_lines_in_coordinates():
    court = Court()
    assert court.short_line_y_m == pytest.approx(5.49)
    assert court.service_box_back_y_m == pytest.approx(7.09)
    assert court.t_m == pytest.approx((3.2, 5.465))
    assert court.half_width_m == pytest.approx(3.2)


@pytest.mark.parametrize("court", [Court(), Court.doubles(), Court.doubles(8.42)])
def test_service_boxes_touch_the_side_walls(court):
    left, right = court.service_boxes["left"], court.service_boxes["right"]
    assert left.x_min == 0
    assert right.x_max == court.width_m
    assert right.x_min == pytest.approx(court.width_m - 1.6)
    assert left.y_min == right.y_min == court.short_line_y_m


def test_rectangle():
    box = Court().service_boxes["left"]
    assert box.centre == pytest.approx((0.8, 6.29))
    assert box.contains(0.8, 6.0)
    assert box.contains(1.6, 7.0)
    assert not box.contains(1.7, 6.0)


def test_custom_tin_keeps_the_rest():
    court = Court(tin_height_m=0.43)
    assert dataclasses.replace(court, tin_height_m=0.48) == Court()


@pytest.mark.parametrize("bad", [0, -1, float("nan"), float("inf")])
def test_no_such_dimension(bad):
    with pytest.raises(UnitError, match="width_m"):
        Court(width_m=bad)


@pytest.mark.parametrize(
    "field", [{"tin_height_m": 48}, {"service_box_m": 4.3}, {"short_line_m": 9.74}, {"width_m": 3}]
)
def test_lines_out_of_order(field):
    with pytest.raises(UnitError, match="centimetres"):
        Court(**field)
