"""Kappa against scikit-learn and a published example."""

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from sidewall.agreement import cohen_kappa


def test_kappa_is_that_of_scikit_learn():
    rng = np.random.default_rng(1)
    one = rng.integers(0, 5, 400)
    two = np.where(rng.random(400) < 0.3, rng.integers(0, 5, 400), one)
    counts = np.bincount(one * 5 + two, minlength=25).reshape(5, 5)
    assert cohen_kappa(counts).kappa == pytest.approx(cohen_kappa_score(one, two), abs=1e-12)


def test_fleiss_cohen_and_everitt_1969():
    """Source: Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323-327, the example
    of 200 pairs in three categories (from memory; statsmodels' manual uses it too).
    """
    shares = np.array([[53, 5, 2], [11, 14, 5], [1, 6, 3]])
    found = cohen_kappa(2 * shares)
    assert round(found.kappa, 3) == 0.429
    assert found.se == pytest.approx(0.05371, abs=5e-4)
    assert found.high - found.low == pytest.approx(2 * 1.959963984540054 * found.se)
