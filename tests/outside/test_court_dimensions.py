"""The court against the printed numbers of the World Squash Federation.

Source: World Squash Federation, Specifications for Squash Courts (singles and doubles).
"""

import math

import pytest

from sidewall.court import Court


@pytest.mark.parametrize(
    ("field", "printed"),
    [
        ("length_m", 9.750),
        ("width_m", 6.400),
        ("front_wall_line_m", 4.570),
        ("back_wall_line_m", 2.130),
        ("service_line_m", 1.780),
        ("tin_height_m", 0.480),
        ("short_line_m", 4.260),
        ("service_box_m", 1.600),
        ("line_width_m", 0.050),
        ("clear_height_m", 5.640),
    ],
)
def test_singles_dimension(field, printed):
    assert getattr(Court(), field) == printed


def test_professional_tin():
    assert Court(tin_height_m=0.43).tin_height_m == 0.430


def diagonal_m(court):
    """The diagonal of the floor, which the specification prints to the nearest five millimetres."""
    return 0.005 * round(math.hypot(court.length_m, court.width_m) / 0.005)


def test_singles_diagonal():
    assert diagonal_m(Court()) == pytest.approx(11.665)


def test_doubles():
    court = Court.doubles()
    assert court.width_m == 7.620
    assert diagonal_m(court) == pytest.approx(12.375)


def test_wide_doubles():
    assert Court.doubles(width_m=8.42).width_m == 8.420


def test_short_line_and_box_from_the_back_wall():
    court = Court()
    # The short line's nearest edge is 4.260 from the back wall and the line itself lies in
    # front of that edge; the service box is measured inside its lines.
    assert court.length_m - court.short_line_y_m == pytest.approx(4.260)
    for box in court.service_boxes.values():
        assert box.width == pytest.approx(1.600)
        assert box.depth == pytest.approx(1.600)
