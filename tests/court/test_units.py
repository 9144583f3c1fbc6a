import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.court import UNITS, parse_column, parse_unit, to_display, to_metres
from sidewall.court.units import GapWords
from sidewall.errors import UnitError


def test_boards_without_a_width_are_refused():
    with pytest.raises(UnitError):
        GapWords("boards").gap(0.5)


lengths = st.floats(min_value=0, max_value=10, allow_nan=False)
widths = st.floats(min_value=0.02, max_value=0.2)


@given(lengths, st.sampled_from(UNITS), widths)
def test_round_trip(gap_m, unit, width):
    shown = to_display(gap_m, unit, width)
    assert to_metres(shown, unit, width) == pytest.approx(gap_m, rel=1e-12, abs=1e-15)


@given(st.lists(lengths, max_size=5), st.sampled_from(UNITS), widths)
def test_round_trip_of_arrays(gaps, unit, width):
    array = np.array([*gaps, np.nan])
    back = to_metres(to_display(array, unit, width), unit, width)
    np.testing.assert_allclose(back, array, rtol=1e-12, atol=1e-15)


@given(st.integers(0, 320))
def test_whole_centimetres_are_the_nearest_number(centimetres):
    assert to_metres(centimetres, "cm") == float(f"{centimetres / 100:.2f}")


def test_values():
    assert to_metres(100.0, "in") == pytest.approx(2.54)  # 1959 agreement: 1 in = 2.54 cm
    assert to_metres(2.0, "boards", 0.07) == pytest.approx(0.14)
    assert to_display(0.35, "cm") == pytest.approx(35)
    assert to_display(0.35, "boards", board_width_m=0.07) == pytest.approx(5)


def test_series_keeps_its_index():
    gap = pd.Series([35.0, np.nan], index=[4, 9])
    pd.testing.assert_series_equal(to_metres(gap, "cm"), pd.Series([0.35, np.nan], index=[4, 9]))


@pytest.mark.parametrize("convert", [to_metres, to_display])
@pytest.mark.parametrize("width", [None, float("nan"), 0, -0.07, 7.0])
def test_boards_have_no_default_width(convert, width):
    with pytest.raises(UnitError, match="width"):
        convert(2.0, "boards", width)


def test_unknown_unit():
    with pytest.raises(UnitError, match="furlong"):
        to_metres(1.0, "furlong")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("gap_cm", ("gap", "cm")),
        ("bounce_x_in", ("bounce_x", "in")),
        ("opponent_y_m", ("opponent_y", "m")),
        ("Gap (cm)", ("gap", "cm")),
        ("GAP [Inches]", ("gap", "in")),
        ("gap in cm", ("gap", "cm")),
        ("gap_boards", ("gap", "boards")),
        ("Gap, floor boards", ("gap", "boards")),
        ("wall z", ("wall_z", None)),
        ("stroke", ("stroke", None)),
        ("m", ("m", None)),
    ],
)
def test_parse_column(name, expected):
    assert tuple(parse_column(name)) == expected


@pytest.mark.parametrize("word", ["cm", "Centimetres", "INCH", "floorboards", "metre"])
def test_parse_unit(word):
    assert parse_unit(word) in UNITS


def test_differences_of_gaps_have_a_sign_and_may_be_finer():
    assert GapWords("cm").signed(-0.094) == "−9"
    assert GapWords("cm").signed(-0.094, finer=1) == "−9.4"
    assert GapWords("cm").signed(-0.001) == "0"
    assert GapWords("m").signed(0.094) == "+0.09"
    assert GapWords("boards", 0.07).signed(0.14) == "+2.0"
