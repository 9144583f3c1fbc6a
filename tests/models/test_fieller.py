import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.models import fieller_set

numbers = st.floats(-5, 5).filter(lambda v: abs(v) > 1e-3)


@given(numbers, numbers, st.floats(0.05, 2), st.floats(0.05, 2), st.floats(-0.95, 0.95))
def test_the_set_is_where_the_line_cannot_be_told_from_zero(a, b, sa, sb, r):
    V = np.array([[sa**2, r * sa * sb], [r * sa * sb, sb**2]])
    found = fieller_set(a, b, V)
    x = np.linspace(-50, 50, 4001)
    variance = V[0, 0] + 2 * x * V[0, 1] + x**2 * V[1, 1]
    excess = (a + b * x) ** 2 - 1.959964**2 * variance
    clear = np.abs(excess) > 1e-6 * (1 + x**2)
    np.testing.assert_array_equal(found.contains(x)[clear], (excess <= 0)[clear])


@given(numbers, numbers, st.floats(0.05, 2), st.floats(0.05, 2))
def test_the_estimate_is_inside(a, b, sa, sb):
    assert fieller_set(a, b, np.diag([sa**2, sb**2])).contains(-a / b)


@pytest.mark.parametrize(
    ("a", "b", "V", "kind"),
    [
        (-1.0, 2.0, np.diag([0.01, 0.01]), "interval"),
        (-4.0, 0.5, np.diag([0.01, 1.0]), "outside"),
        (0.1, 0.1, np.diag([1.0, 1.0]), "line"),
    ],
)
def test_kinds(a, b, V, kind):
    assert fieller_set(a, b, V).kind == kind


def test_an_exact_line_gives_a_point():
    found = fieller_set(-1.0, 2.0, np.zeros((2, 2)))
    assert (found.low, found.high) == (0.5, 0.5)


def test_a_slope_exactly_at_the_limit_gives_a_half_line():
    z = 2.0
    found = fieller_set(-3.0, 2.0, np.diag([0.01, 1.0]), z)
    assert np.isinf(found.low) or np.isinf(found.high)
    assert found.contains(1.5)
