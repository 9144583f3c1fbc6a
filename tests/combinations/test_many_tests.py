"""Adjusted p-values by their definitions, with missing ones and ties."""

from __future__ import annotations

import numpy as np
import pytest

from sidewall.combinations.many_tests import adjusted, adjusted_by_question


def slowly(p, method):
    """The least level at which each is rejected: stepping up from the largest, or down."""
    known = sorted(x for x in p if not np.isnan(x))
    n, found = len(known), []
    for x in p:
        if np.isnan(x):
            found.append(np.nan)
        elif method == "bh":
            found.append(min(known[k] * n / (k + 1) for k in range(n) if known[k] >= x))
        else:
            found.append(max(known[k] * (n - k) for k in range(n) if known[k] <= x))
    return np.minimum(found, 1.0)


@pytest.mark.parametrize("seed", range(6))
def test_by_definition(seed):
    rng = np.random.default_rng(seed)
    p = np.round(rng.random((20, 3)) ** 3, 2)
    p[rng.random(p.shape) < 0.3] = np.nan
    by_bh = np.column_stack([slowly(column, "bh") for column in p.T])
    for mine, wanted in zip(p.T, by_bh.T, strict=True):
        np.testing.assert_allclose(adjusted(mine), wanted)
        np.testing.assert_allclose(adjusted(mine, "holm"), slowly(mine, "holm"))
    np.testing.assert_allclose(adjusted_by_question(p), np.minimum(3 * by_bh, 1.0))
    assert np.isnan(adjusted([np.nan])).all()
    assert len(adjusted([])) == 0
