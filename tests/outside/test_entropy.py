"""Grassberger's entropy of few observations.

Source: Grassberger 2003, Entropy estimates from insufficient samplings, arXiv physics/0307138:
the first values of G, the integral that defines it, and the mean under Poisson counts (all
from memory, each of them checked here against the others).
"""

from itertools import product

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import digamma, exp1
from scipy.stats import multinomial, poisson

from sidewall.combinations.predictability import _bits, corrected_log


def entropy_nats(counts):
    n = np.asarray(counts, dtype=float)
    place, owner = np.zeros(len(n), dtype=int), np.zeros(1, dtype=int)
    return _bits(n[None], place, owner)[0][0, 0] * np.log(2)


def test_printed_values():
    # G_1 = -gamma - ln 2, G_2 = 2 - gamma - ln 2, and on by 2 / (odd number)
    first = 0.5772157 + 0.6931472
    expected = [-first, *np.repeat(np.cumsum([2, 2 / 3, 2 / 5]) - first, 2)]
    np.testing.assert_allclose(corrected_log(np.arange(1, 8)), expected, atol=1e-7)


@pytest.mark.parametrize("n", [1, 2, 3, 6, 25, 100])
def test_the_integral(n):
    """G(n) = psi(n) + (-1)^n times the integral of x^(n - 1) / (1 + x) from 0 to 1."""
    part, error = quad(lambda x: x ** (n - 1) / (1 + x), 0, 1)
    assert corrected_log(n) == pytest.approx(digamma(n) + (-1) ** n * part, abs=1e-12 + error)


@pytest.mark.parametrize("mean", [0.2, 1.0, 3.0, 8.0])
def test_mean_under_poisson_counts(mean):
    """The sum of P(n) n G(n) is z ln z + z E1(2 z): an error that vanishes with exp(-2 z)."""
    n = np.arange(200)
    found = poisson.pmf(n, mean) @ (n * corrected_log(n))
    assert found == pytest.approx(mean * (np.log(mean) + exp1(2 * mean)), abs=1e-12)


@pytest.mark.parametrize("shares", [(0.5, 0.5), (0.3, 0.7), (1 / 3, 1 / 3, 1 / 3), (0.2, 0.3, 0.5)])
def test_exact_mean_over_all_tables_of_a_small_alphabet(shares):
    """Every table of 24 replies, weighed by its chance, against the entropy of the shares.

    With a fixed total the counts vary less than Poisson's, by their share, which leaves
    ``1 / (2 N)``, whatever the alphabet; what follows is of the order of ``1 / N^2``, for each
    reply. The plain estimate is too low by ``(replies - 1) / (2 N)``.
    """
    total, p = 24, np.array(shares)
    tables = np.array([t for t in product(range(total + 1), repeat=len(p)) if sum(t) == total])
    chance = multinomial.pmf(tables, total, p)
    truth = -p @ np.log(p)
    bias = chance @ [entropy_nats(t) for t in tables] - truth
    assert bias == pytest.approx(1 / (2 * total), abs=len(p) / total**2)
    share = tables / total
    plain = chance @ -np.sum(share * np.log(np.where(share > 0, share, 1)), axis=1) - truth
    assert plain == pytest.approx(-(len(p) - 1) / (2 * total), abs=len(p) / total**2)
