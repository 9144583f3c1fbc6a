from __future__ import annotations

import pytest
from matplotlib import pyplot as plt

from sidewall.court.court import Court
from sidewall.plots.court import court_lines, plot_court, plot_front_wall


def patches(ax):
    return {p.get_label().lstrip("_"): p for p in ax.patches if p.get_label()}


def box(patch):
    x, y = patch.get_xy()
    return pytest.approx((x, y, x + patch.get_width(), y + patch.get_height()))


def test_lines_where_the_specification_puts_them():
    # World Squash Federation, Specifications for Squash Courts: short line 4.260 from the
    # back wall to its nearest edge, service box 1.600 inside, lines 0.050 wide.
    lines = court_lines(Court())
    assert tuple(lines["short line"]) == pytest.approx((0, 5.44, 6.4, 5.49))
    assert tuple(lines["half-court line"]) == pytest.approx((3.175, 5.49, 3.225, 9.75))
    assert tuple(lines["left box, side"]) == pytest.approx((1.6, 5.49, 1.65, 7.14))
    assert tuple(lines["right box, side"]) == pytest.approx((4.75, 5.49, 4.8, 7.14))
    assert tuple(lines["right box, back"]) == pytest.approx((4.8, 7.09, 6.4, 7.14))


@pytest.mark.parametrize("court", [Court(), Court.doubles()])
def test_floor_is_drawn_to_scale_with_the_front_wall_on_top(court):
    ax = plot_court(court)
    drawn = patches(ax)
    for name, line in court_lines(court).items():
        assert box(drawn[name]) == tuple(line)
    assert ax.get_aspect() == 1.0
    bottom, top = ax.get_ylim()
    assert bottom > court.length_m > 0 > top
    left, right = ax.get_xlim()
    assert left < 0 < court.width_m < right
    (label,) = [t for t in ax.texts if t.get_text() == "front wall"]
    assert label.get_position()[1] < 0


@pytest.mark.parametrize("tin", [0.48, 0.43])
def test_front_wall_heights(tin):
    ax = plot_front_wall(Court(tin_height_m=tin))
    drawn = patches(ax)
    assert box(drawn["tin"]) == (0, 0, 6.4, tin)
    assert box(drawn["service line"]) == (0, 1.78, 6.4, 1.83)
    assert box(drawn["out line"]) == (0, 4.57, 6.4, 4.62)
    assert ax.get_aspect() == 1.0
    words = " ".join(t.get_text().replace("\n", " ") for t in ax.texts)
    assert f"tin {tin:.2f} m" in words
    assert "service line 1.78 m" in words


@pytest.mark.parametrize("draw", [plot_court, plot_front_wall])
def test_draws_into_the_axes_given(draw):
    _, ax = plt.subplots()
    assert draw(ax=ax) is ax
    assert ax.patches
