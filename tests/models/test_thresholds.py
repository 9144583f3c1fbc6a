import numpy as np
import pytest
from sidewall.models.fieller import fieller_set
from sidewall.models.thresholds import quantile, shots_to_settle, threshold

from sidewall.models.transforms import GapTransform

GAPS = np.linspace(0.0, 2.0, 201)
Z = quantile(0.95)


@pytest.fixture(params=["linear", "log1p"])
def transform(request):
    return GapTransform.fit(request.param, GAPS)


def line_through(transform, gap, slope):
    """Coefficients of a line that crosses zero at `gap`."""
    return np.array([-slope * transform.basis([gap])[0, 0], slope])


def test_a_clear_crossing_has_the_ends_of_fiellers_set(transform):
    d, V = line_through(transform, 0.6, 2.0), np.diag([0.01, 0.02])
    found = threshold(transform, d, V, 1.8, Z)
    exact = fieller_set(*d, V, Z)
    assert found.status == "crosses"
    assert found.gap_m == pytest.approx(0.6, abs=1e-4)
    assert found.low_m == pytest.approx(transform.gap_at(exact.low))
    assert found.high_m == pytest.approx(transform.gap_at(exact.high))
    assert found.low_m < 0.6 < found.high_m


def test_spline_and_line_agree_when_the_bend_is_nil():
    spline, line = GapTransform.fit("spline", GAPS), GapTransform.fit("linear", GAPS)
    V = np.diag([0.01, 0.02])
    Vs = np.diag([0.01, 0.02, 0.0])
    d = line_through(line, 0.6, 2.0)
    one, two = threshold(line, d, V, 1.8, Z), threshold(spline, np.append(d, 0.0), Vs, 1.8, Z)
    assert two.gap_m == pytest.approx(one.gap_m, abs=1e-6)
    assert two.low_m == pytest.approx(one.low_m, abs=0.011)
    assert two.high_m == pytest.approx(one.high_m, abs=0.011)


@pytest.mark.parametrize(
    ("d", "status"), [([3.0, 0.1], "attack at any gap"), ([-3.0, 0.1], "reset at any gap")]
)
def test_one_choice_always_better(transform, d, status):
    found = threshold(transform, np.array(d), np.diag([0.01, 0.01]), 1.8, Z)
    assert found.status == status
    assert np.isnan([found.gap_m, found.low_m, found.high_m]).all()


def test_little_data_is_not_known_and_shows_no_number(transform):
    found = threshold(transform, line_through(transform, 0.6, 0.5), np.diag([1.0, 1.0]), 1.8, Z)
    assert found.status == "not known yet"
    assert np.isnan([found.gap_m, found.low_m, found.high_m]).all()


def test_one_sided_knowledge_is_kept(transform):
    # reset is clearly better on tight balls; on loose ones nothing is certain
    d = line_through(transform, 1.5, 1.0)
    found = threshold(transform, d, np.diag([0.01, 0.05]), 1.8, Z)
    assert found.status == "not known yet"
    assert 0 < found.low_m < 1.5
    assert np.isnan(found.gap_m)
    assert np.isnan(found.high_m)


def test_a_falling_difference_is_no_threshold(transform):
    d = line_through(transform, 0.8, -3.0)
    found = threshold(transform, d, np.diag([0.01, 0.01]), 1.8, Z)
    assert found.status == "not known yet"
    assert np.isnan([found.gap_m, found.low_m, found.high_m]).all()


def test_a_higher_level_gives_a_wider_set(transform):
    d, V = line_through(transform, 0.6, 2.0), np.diag([0.01, 0.02])
    narrow, wide = (threshold(transform, d, V, 1.8, quantile(level)) for level in (0.8, 0.99))
    assert wide.low_m < narrow.low_m < narrow.high_m < wide.high_m


def test_forecast_settles_when_the_shots_come(transform):
    d, V = line_through(transform, 0.6, 1.5), np.diag([0.3, 0.5])
    assert threshold(transform, d, V, 1.8, Z).status == "not known yet"
    per_shot = np.diag([0.05, 0.02])
    n = shots_to_settle(transform, d, V, per_shot, 1.8, Z)
    assert 20 <= n < 20_000
    later = np.linalg.inv(np.linalg.inv(V) + n * per_shot)
    earlier = np.linalg.inv(np.linalg.inv(V) + 0.8 * n * per_shot)
    assert threshold(transform, d, later, 1.8, Z).status == "crosses"
    assert threshold(transform, d, earlier, 1.8, Z).status == "not known yet"


def test_no_forecast_where_no_number_of_shots_would_do(transform):
    d = np.array([0.0, 0.0])
    assert shots_to_settle(transform, d, np.eye(2), 1e-3 * np.eye(2), 1.8, Z) == float("inf")
