import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.log.cells import parse_numbers


def one(text, **options):
    options.setdefault("comma_decimals", True)
    return parse_numbers(np.array([text], dtype=object), **options)


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_numbers_come_back_as_written(value):
    assert one(repr(value)).value[0] == value


@given(st.integers(0, 10**6), st.integers(0, 999))
def test_decimal_comma(whole, decimals):
    assert one(f"{whole},{decimals:03d}").value[0] == pytest.approx(whole + decimals / 1000)
