from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import sidewall
from sidewall.numbers import count, in_100, number, share, signed

NAN = float("nan")


@pytest.mark.parametrize(
    ("value", "digits", "says"),
    [
        (1.25, 1, "+1.2"),
        (-1.26, 1, "−1.3"),
        (0.04, 1, "0.0"),
        (-0.04, 1, "0.0"),
        (-0.0, 0, "0"),
        (0.4, 0, "0"),
        (-0.6, 0, "−1"),
        (-0.0004, 3, "0.000"),
        (12.0, 0, "+12"),
    ],
)
def test_a_difference_has_one_sign_and_nothing_has_none(value, digits, says):
    assert signed(value, digits) == says


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_a_signed_number_reads_back_and_its_sign_is_true(value, digits):
    said = signed(value, digits)
    read = float(said.replace("−", "-"))
    assert math.isclose(read, value, abs_tol=0.5000001 * 10**-digits)
    assert (said[0] == "+") == (read > 0)
    assert (said[0] == "−") == (read < 0)
    assert "-" not in said
    assert number(value, digits) == said.removeprefix("+")


def test_an_interval_stands_behind_its_estimate():
    assert share(0.315, 0.256, 0.382) == "32 (26 to 38)"
    assert share(0.012, 0.003, 0.03) == "1.2 (0.3 to 3.0)"


@pytest.mark.parametrize("ends", [(NAN, 0.0, 1.0), (0.5, 0.2, math.inf)])
def test_what_has_no_interval_is_not_known(ends):
    assert share(*ends) == "not known yet"


@pytest.mark.parametrize(
    ("value", "says"), [(0.0, "0"), (0.0994, "9.9"), (0.0996, "10"), (1, "100")]
)
def test_a_share_has_a_decimal_only_below_ten(value, says):
    assert in_100(value) == says


def test_counts_agree_with_their_nouns():
    assert count(1, "shot") == "1 shot"
    assert count(0, "shot") == "0 shots"
    assert count(1234, "rally", "rallies") == "1,234 rallies"


def test_no_other_place_writes_signs():
    home = Path(sidewall.__file__).parent
    own_sign = re.compile(r"\{[^{}]*:\+[\d.]*[dfge]?\}")
    found = [path.name for path in home.rglob("*.py") if own_sign.search(path.read_text("utf-8"))]
    assert found == []
