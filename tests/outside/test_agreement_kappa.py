"""Kappa against scikit-learn, a published example, and another library's bootstrap."""

import numpy as np
import pytest
from scipy.stats import bootstrap
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from sidewall.agreement import cohen_kappa
from sidewall.agreement.coefficients import clustered_kappa
from sidewall.rallies.intervals import rally_weights

#: 200 pairs in three categories: Fleiss, Cohen & Everitt 1969, Psychological Bulletin
#: 72:323-327 (from memory; statsmodels' manual uses it too).
PAIRS = 2 * np.array([[53, 5, 2], [11, 14, 5], [1, 6, 3]])
SE = 0.053711  # their formula, recomputed from the table
DRAWS = 2000


def test_kappa_is_that_of_scikit_learn():
    rng = np.random.default_rng(1)
    one = rng.integers(0, 5, 400)
    two = np.where(rng.random(400) < 0.3, rng.integers(0, 5, 400), one)
    counts = np.bincount(one * 5 + two, minlength=25).reshape(5, 5)
    assert cohen_kappa(counts).kappa == pytest.approx(cohen_kappa_score(one, two), abs=1e-12)


def test_fleiss_cohen_and_everitt_1969():
    found = cohen_kappa(PAIRS)
    assert found.kappa == pytest.approx(0.429, abs=5e-4)
    assert found.se == pytest.approx(SE, abs=5e-7)
    assert found.high - found.low == pytest.approx(2 * 1.959963984540054 * found.se)


@pytest.mark.parametrize("pairs", [1, 3])
def test_pairs_that_say_the_same_count_once(pairs):
    """Two hundred rallies of equal pairs are two hundred pairs, of the printed error.

    Tolerance: four standard errors of a deviation of so many draws, and one part in 200 for
    what large-sample formulas leave out.
    """
    cell = np.repeat(np.arange(9), PAIRS.ravel())
    counts = pairs * np.eye(9)[cell].reshape(-1, 3, 3)
    weights = rally_weights(np.zeros(len(cell)), DRAWS, np.random.default_rng(1))
    found = clustered_kappa(counts, weights, 0.0)
    assert found.kappa == pytest.approx(0.429, abs=5e-4)
    assert found.se == pytest.approx(SE, rel=4 / np.sqrt(2 * DRAWS) + 1 / 200)


def test_error_of_pairs_in_rallies_is_that_of_another_bootstrap():
    """`scipy.stats.bootstrap` of rallies, statsmodels' kappa; two simulations, four errors."""
    rng = np.random.default_rng(2)
    rally = np.repeat(np.arange(40), rng.integers(1, 9, 40))
    one = rng.integers(0, 3, len(rally))
    dim = rng.random(40)[rally] < 0.3  # some rallies are hard to see from start to end
    two = np.where(dim & (rng.random(len(rally)) < 0.8), rng.integers(0, 3, len(rally)), one)
    counts = np.zeros((40, 3, 3))
    np.add.at(counts, (rally, one, two), 1)
    ours = clustered_kappa(counts, rally_weights(np.zeros(40), DRAWS, rng), 0.0)

    def kappa(drawn):
        return cohens_kappa(counts[drawn].sum(axis=0), return_results=False)

    draws = DRAWS // 4  # each one costs a call
    theirs = bootstrap(
        (np.arange(40),),
        kappa,
        vectorized=False,
        n_resamples=draws,
        method="percentile",
        random_state=rng,
    )
    assert ours.kappa == pytest.approx(cohen_kappa_score(one, two), abs=1e-12)
    error = 4 * np.sqrt(1 / (2 * DRAWS) + 1 / (2 * draws))
    assert ours.se == pytest.approx(theirs.standard_error, rel=error)
    assert ours.se > 1.2 * cohen_kappa(counts.sum(axis=0)).se
