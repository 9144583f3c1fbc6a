"""Absorbing chains with printed answers.

Source: Grinstead & Snell, Introduction to Probability, chapter 11 (Drunkard's Walk): corners
0 and 4 absorb; from 1, 2, 3 a step goes right with probability p, else left.
"""

import numpy as np
import pytest

from sidewall.rallies.absorbing import fundamental_matrix


def walk(p):
    Q = np.array([[0, p, 0], [1 - p, 0, p], [0, 1 - p, 0]])
    R = np.array([[1 - p, 0], [0, 0], [0, p]])
    return Q, R


@pytest.mark.parametrize(
    ("p", "N", "t"),
    [
        (1 / 2, [[1.5, 1, 0.5], [1, 2, 1], [0.5, 1, 1.5]], [3, 4, 3]),
        (2 / 3, [[1.4, 1.2, 0.8], [0.6, 1.8, 1.2], [0.2, 0.6, 1.4]], [3.4, 3.6, 2.2]),
    ],
)
def test_fundamental_matrix_and_length(p, N, t):
    Q, _ = walk(p)
    np.testing.assert_allclose(fundamental_matrix(Q), N, atol=0.05 if p > 0.6 else 1e-12)
    np.testing.assert_allclose(fundamental_matrix(Q).sum(axis=1), t, atol=1e-12)


def test_the_printed_decimals_are_rounded_ones():
    N = fundamental_matrix(walk(2 / 3)[0])
    np.testing.assert_array_equal(
        np.round(N, 1), [[1.4, 1.2, 0.8], [0.6, 1.8, 1.2], [0.2, 0.6, 1.4]]
    )


def test_chances_of_ending():
    Q, R = walk(1 / 2)
    B = fundamental_matrix(Q) @ R
    np.testing.assert_allclose(B, [[0.75, 0.25], [0.5, 0.5], [0.25, 0.75]], atol=1e-12)
