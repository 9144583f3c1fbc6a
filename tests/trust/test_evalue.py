import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.errors import DataError
from sidewall.trust import e_value, e_value_of_limit

ratios = st.floats(0.01, 100.0)


@given(ratios)
def test_a_reason_of_just_that_strength_explains_the_ratio_away(ratio):
    # bounding factor of Ding & VanderWeele 2016, Epidemiology 27:368-377, both strengths alike
    e = float(e_value(ratio))
    assert e * e / (2.0 * e - 1.0) == pytest.approx(max(ratio, 1.0 / ratio), rel=1e-9)


@given(ratios)
def test_the_direction_does_not_matter(ratio):
    assert e_value(ratio) == pytest.approx(e_value(1.0 / ratio))


@given(ratios, st.floats(1.0, 3.0), st.floats(1.0, 3.0))
def test_the_limit_takes_no_more_than_the_estimate(ratio, down, up):
    assert e_value_of_limit(ratio, ratio / down, ratio * up) <= e_value(ratio) * (1 + 1e-12)


def test_an_interval_that_holds_one_needs_no_reason():
    assert e_value_of_limit(1.3, 0.9, 1.8) == 1.0
    assert np.isnan(e_value_of_limit(1.3, np.nan, 1.8))


@pytest.mark.parametrize("ratio", [0.0, -1.0])
def test_ratios_that_cannot_be_are_refused(ratio):
    with pytest.raises(DataError, match="above zero"):
        e_value([1.2, ratio])


def test_limits_in_the_wrong_order_are_refused():
    with pytest.raises(DataError, match="between its limits"):
        e_value_of_limit(2.0, 3.0, 1.0)
