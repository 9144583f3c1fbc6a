import numpy as np
import pytest

from sidewall.errors import DataError
from sidewall.models.transforms import GapTransform

GAPS = np.linspace(0.0, 2.0, 101)


@pytest.mark.parametrize("kind", ["linear", "log1p", "spline"])
def test_columns_are_centred_and_the_first_rises(kind):
    basis = GapTransform.fit(kind, GAPS).basis(GAPS)
    np.testing.assert_allclose(basis.mean(axis=0), 0.0, atol=1e-12)
    assert (np.diff(basis[:, 0]) > 0).all()


def test_spline_is_smooth_and_straight_beyond_its_knots():
    transform = GapTransform.fit("spline", GAPS)
    gap = np.linspace(0, 3, 3001)
    second = np.diff(transform.basis(gap)[:, 1], 2)
    outside = (gap[1:-1] < transform.knots_m[0] - 0.01) | (gap[1:-1] > transform.knots_m[2] + 0.01)
    np.testing.assert_allclose(second[outside], 0.0, atol=1e-10)
    assert np.abs(np.diff(second)).max() < 1e-8  # no kink


def test_a_spline_needs_gaps_that_vary():
    with pytest.raises(DataError, match="spline"):
        GapTransform.fit("spline", np.full(50, 0.3))


def test_unknown_kind():
    with pytest.raises(DataError, match="cube"):
        GapTransform.fit("cube", GAPS)  # type: ignore[arg-type]
