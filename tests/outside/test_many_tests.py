"""Benjamini & Hochberg 1995, Journal of the Royal Statistical Society B 57:289-300, section 3.

Their 15 p-values from a trial of thrombolysis: four are rejected at 0.05, where the correction
of Bonferroni rejects three.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

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
    assert adjusted(P) == pytest.approx(multipletests(P, method="fdr_bh")[1])


def test_nothing_known():
    assert np.isnan(adjusted([np.nan, np.nan])).all()
    assert len(adjusted([])) == 0
