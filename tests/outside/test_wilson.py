"""Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 3 (score method)."""

from __future__ import annotations

import pytest

from sidewall.features.rates import wilson_interval


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_newcombe_table(k, n, low, high):
    got = wilson_interval(k, n, level=0.95)
    # Printed to four places.
    assert got[0] == pytest.approx(low, abs=5.1e-5)
    assert got[1] == pytest.approx(high, abs=5.1e-5)
