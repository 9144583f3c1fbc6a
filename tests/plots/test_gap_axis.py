from __future__ import annotations

import pytest

from sidewall.errors import UnitError
from sidewall.plots import style
from sidewall.plots.gap_axis import format_gap_axis


def labels(axis):
    axis.axes.get_figure().canvas.draw()
    low, high = sorted(axis.get_view_interval())
    return {
        round(place, 6): text.get_text()
        for place, text in zip(axis.get_majorticklocs(), axis.get_majorticklabels(), strict=True)
        if low - 1e-9 <= place <= high + 1e-9
    }


def test_gap_axis_in_centimetres_and_boards():
    ax = style.new_axes()
    ax.plot([0, 1.0], [0, 1])
    ax.set_xlim(0, 1.0)
    second = format_gap_axis(ax, "cm", board_width_m=0.1)
    assert ax.get_xlabel() == "gap to the side wall (cm)"
    ticks = labels(ax.xaxis)
    assert ticks[0.0] == "0"
    assert ticks[1.0] == "100"
    assert all(float(text) == pytest.approx(100 * place) for place, text in ticks.items())
    assert second is not None
    boards = labels(second.xaxis)
    assert second.get_xlabel() == "floorboards"
    assert second.get_xlim() == pytest.approx((0, 10))
    assert all(float(place).is_integer() for place in boards)


@pytest.mark.parametrize(
    ("unit", "per_metre"), [("m", 1), ("in", 1 / 0.0254), ("boards", 1 / 0.07)]
)
def test_gap_axis_in_other_units(unit, per_metre):
    ax = style.new_axes()
    ax.set_xlim(0, 1.4)
    second = format_gap_axis(ax, unit, board_width_m=0.07 if unit == "boards" else None)
    assert second is None
    ticks = labels(ax.xaxis)
    assert len(ticks) >= 4
    assert all(float(text) == pytest.approx(place * per_metre) for place, text in ticks.items())


def test_gap_on_the_y_axis():
    ax = style.new_axes()
    ax.set_ylim(0, 0.7)
    second = format_gap_axis(ax, "cm", 0.07, axis="y")
    assert ax.get_ylabel() == "gap to the side wall (cm)"
    assert second is not None
    ax.get_figure().canvas.draw()
    assert second.get_ylim() == pytest.approx((0, 10))


def test_boards_need_a_width():
    ax = style.new_axes()
    with pytest.raises(UnitError, match="width"):
        format_gap_axis(ax, "boards")
    with pytest.raises(UnitError, match="plausible"):
        format_gap_axis(ax, "cm", board_width_m=7.0)
    with pytest.raises(UnitError, match="furlong"):
        format_gap_axis(ax, "furlong")
