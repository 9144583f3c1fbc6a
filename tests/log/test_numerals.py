import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.log.cells import is_blank, parse_numbers


def one(text, **options):
    options.setdefault("comma_decimals", True)
    return parse_numbers(np.array([text], dtype=object), **options)


@pytest.mark.parametrize(
    ("typed", "options", "value"),
    [
        ("35", {}, 35),
        (" 35.5 ", {}, 35.5),
        (35.5, {}, 35.5),
        ("35,5", {}, 35.5),
        ("1,234", {}, 1.234),
        ("35,5", {"comma_decimals": False}, 35.5),
        ("35cm", {"unit": "cm"}, 35),
        ("35,5 CM", {"unit": "cm"}, 35.5),
        ('14"', {"unit": "in"}, 14),
        ("12:34", {"clock": True}, 754),
        ("1:02:03.5", {"clock": True}, 3723.5),
    ],
)
def test_understood(typed, options, value):
    found = one(typed, **options)
    assert found.value[0] == pytest.approx(value)
    assert not found.wrong[0]


@pytest.mark.parametrize(
    ("typed", "options"),
    [
        ("1,234", {"comma_decimals": False}),
        ("1.234,5", {}),
        ("35 in", {"unit": "cm"}),
        ("35 paces", {"unit": "cm"}),
        ("12:34", {}),
        ("12:3", {"clock": True}),
        ("clock 12:34:00", {"clock": True}),
        ("inf", {}),
        ("1_000", {}),
        (10**400, {}),
        ("1e999", {}),
        ("", {"unit": "cm"}),
        ("thirty", {}),
    ],
)
def test_not_understood(typed, options):
    found = one(typed, **options)
    assert math.isnan(found.value[0])
    assert found.wrong[0] == (typed != "")
    assert not found.read_as
    assert bool(found.mend) == (typed != "")


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_numbers_come_back_as_written(value):
    assert one(repr(value)).value[0] == value


@given(st.integers(0, 10**6), st.integers(0, 999))
def test_decimal_comma(whole, decimals):
    assert one(f"{whole},{decimals:03d}").value[0] == pytest.approx(whole + decimals / 1000)


@pytest.mark.parametrize("typed", ["", " ", "-", "–", "n/a", "NaN", "None", "NA", "null"])
def test_blank(typed):
    assert is_blank(typed)
    found = one(typed)
    assert found.blank[0]
    assert found.read_as == ({0: "blank"} if typed.strip() else {})


def test_na_is_a_name_unless_in_capitals():
    assert not is_blank("Na")
