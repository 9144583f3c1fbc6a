"""Benjamini & Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300, section 3.

Their 15 p-values from a trial of thrombolysis: four are rejected at 0.05, where the correction
of Bonferroni rejects three.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import false_discovery_control

from sidewall.combinations.many_tests import adjusted

P = np.array(
    [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
     0.5719, 0.6528, 0.7590, 1.0000]
)  # fmt: skip


def test_four_are_rejected():
    assert (adjusted(P) <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert (0.05 / len(P) >= P).sum() == 3


def test_order_and_missing_values_do_not_matter():
    shuffled = np.random.default_rng(0).permutation(np.append(P, [np.nan, np.nan]))
    found = adjusted(shuffled)
    assert np.isnan(found).tolist() == np.isnan(shuffled).tolist()
    np.testing.assert_allclose(np.sort(found[~np.isnan(found)]), np.sort(adjusted(P)))


def test_another_program_agrees():
    assert adjusted(P) == pytest.approx(false_discovery_control(P))


@pytest.mark.parametrize("power", [1, 3, 8])
def test_holms_steps_down_by_definition(power):
    """Holm 1979: the largest of (m - j + 1) p_(j) up to each rank, at most 1."""
    p = np.append(np.random.default_rng(power).random(11) ** power, [0.0, 1.0])
    rising = np.sort(p)
    steps = [max((len(p) - j) * rising[j] for j in range(k + 1)) for k in range(len(p))]
    wanted = dict(zip(rising, np.minimum(steps, 1.0), strict=True))
    np.testing.assert_allclose(adjusted(p, "holm"), [wanted[one] for one in p], atol=1e-15)
    with_gap = adjusted([0.01, np.nan, 0.04], "holm")
    assert np.isnan(with_gap[1])
    np.testing.assert_allclose(with_gap[[0, 2]], [0.02, 0.04])


def test_nothing_known():
    assert np.isnan(adjusted([np.nan, np.nan])).all()
    assert len(adjusted([])) == 0
