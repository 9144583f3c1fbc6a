"""A published set of 2 x 2 tables: eight clinics, a cream against a control.

Beitler & Landis 1985, Biometrics 41:991-1000; as printed in Agresti, Categorical Data
Analysis, 2nd ed. 2002, section 6.3 (table 6.9): Mantel-Haenszel odds ratio 2.13, its log
0.758 with standard error 0.303, Cochran-Mantel-Haenszel statistic 6.38 with p = 0.012. One
digit more of the ratio and of the statistic, 2.1345 and 6.384, is that of `mantelhaen.test` in R.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm
from statsmodels.stats.contingency_tables import StratifiedTable

from sidewall.combinations.stratified import (
    Moments,
    coefficients,
    mantel_haenszel,
    odds_ratio,
    permutation_p,
)

RATIO, STATISTIC = 2.1345, 6.384
SHUFFLES = 4000

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
    assert ratio == pytest.approx(RATIO, abs=5e-5)
    assert np.log(ratio) == pytest.approx(0.758, abs=0.0005)
    z = norm.ppf(0.975)
    assert np.log(high / low) / (2 * z) == pytest.approx(0.303, abs=0.0005)


def test_odds_ratio_of_moments():
    result = mantel_haenszel(moments())
    assert result.odds_ratio == pytest.approx(RATIO, abs=5e-5)
    assert (result.n_1, result.n_0, result.strata) == (130, 143, 8)


def test_the_weights_of_the_difference_give_the_printed_statistic():
    # shuffled within clinics, the weighted sum of results has the variance of hypergeometrics
    found = moments()
    square = (coefficients(found) @ found.won) ** 2
    n1, n0 = CLINICS[:, :2].sum(axis=1), CLINICS[:, 2:].sum(axis=1)
    won, n = CLINICS[:, [0, 2]].sum(axis=1), n1 + n0
    variance = np.sum(n1 * n0 * won * (n - won) / (n**2 * (n - 1)))
    assert square / variance == pytest.approx(STATISTIC, abs=5e-4)


def test_permutations_against_the_printed_test():
    """The share of shuffles as far out lies between the normal tail and that half a step in.

    A sum of counts moves by one. The normal limit at the sum itself leaves out half of that
    step (Yates's correction puts it back), so the two tails enclose the exact p; beyond them
    it may lie by four standard errors of the shuffles.
    """
    found = moments()
    p = permutation_p(found, SHUFFLES, np.random.default_rng(1))
    seen = abs(coefficients(found) @ found.won)
    half_a_step_in = STATISTIC * ((seen - 0.5) / seen) ** 2
    low, high = chi2.sf([STATISTIC, half_a_step_in], 1)
    error = 4 * np.sqrt(high * (1 - high) / SHUFFLES)
    assert low - error < p < high + error


def test_another_program_agrees():
    tables = StratifiedTable(CLINICS.T.reshape(2, 2, -1))
    ratio, low, high = odds_ratio(*CLINICS.T, level=0.9)
    assert ratio == pytest.approx(tables.oddsratio_pooled)
    assert (low, high) == pytest.approx(tables.oddsratio_pooled_confint(alpha=0.1))
    assert tables.test_null_odds(correction=False).statistic == pytest.approx(STATISTIC, abs=5e-4)
