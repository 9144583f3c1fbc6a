"""A published set of 2 x 2 tables: eight clinics, a cream against a control.

Beitler & Landis 1985, Biometrics 41:991-1000; as printed in Agresti, Categorical Data
Analysis, 2nd ed. 2002, section 6.3 (table 6.9): Mantel-Haenszel odds ratio 2.13, its log
0.758 with standard error 0.303, Cochran-Mantel-Haenszel statistic 6.38 with p = 0.012.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.stats.contingency_tables import StratifiedTable

from sidewall.combinations.stratified import Moments, mantel_haenszel, odds_ratio, permutation_p

#: Success and failure with the cream, then with the control, by clinic.
CLINICS = np.array(
    [
        (11, 25, 10, 27), (16, 4, 22, 10), (14, 5, 7, 12), (2, 14, 1, 16),
        (6, 11, 0, 12), (1, 10, 0, 10), (1, 4, 1, 8), (4, 2, 6, 1),
    ],
    dtype=float,
)  # fmt: skip


def moments():
    rows = [
        (1.0 - (k % 2), k < 2, clinic)
        for clinic, counts in enumerate(CLINICS.astype(int))
        for k, count in enumerate(counts)
        for _ in range(count)
    ]
    won, kind, stratum = (np.array(part) for part in zip(*rows, strict=True))
    return Moments(won, kind, stratum, np.arange(len(won)), np.arange(len(won)))


def test_odds_ratio_and_its_error():
    ratio, low, high = odds_ratio(*CLINICS.T)
    assert ratio == pytest.approx(2.13, abs=0.005)
    assert np.log(ratio) == pytest.approx(0.758, abs=0.0005)
    z = norm.ppf(0.975)
    assert np.log(high / low) / (2 * z) == pytest.approx(0.303, abs=0.0005)


def test_odds_ratio_of_moments():
    result = mantel_haenszel(moments())
    assert result.odds_ratio == pytest.approx(2.13, abs=0.005)
    assert (result.n_1, result.n_0, result.strata) == (130, 143, 8)


def test_permutations_against_the_printed_test():
    # shuffling within clinics draws from the distribution whose normal limit is the statistic
    p = permutation_p(moments(), 4000, np.random.default_rng(1))
    assert p == pytest.approx(0.012, abs=0.006)


def test_another_program_agrees():
    tables = StratifiedTable(CLINICS.T.reshape(2, 2, -1))
    ratio, low, high = odds_ratio(*CLINICS.T, level=0.9)
    assert ratio == pytest.approx(tables.oddsratio_pooled)
    assert (low, high) == pytest.approx(tables.oddsratio_pooled_confint(alpha=0.1))
    assert tables.test_null_odds(correction=False).statistic == pytest.approx(6.38, abs=0.005)
