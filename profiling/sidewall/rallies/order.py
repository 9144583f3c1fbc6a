"""Does the past matter beyond the present state? Is the chain the same in every game?

Tests of the order and the stationarity of a Markov chain by contingency tables (Anderson
& Goodman 1957, Annals of Mathematical Statistics 28:89-110). Rows and columns that are
empty take no degree of freedom.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class ChainTest:
    """A likelihood-ratio and a Pearson test that ask the same question.

    Attributes
    ----------
    question : str
    g, chi_square : float
        Likelihood-ratio and Pearson statistics.
    df : int
        Degrees of freedom, empty rows and columns left out.
    p_g, p_chi_square : float
        NaN when no degree of freedom is left.
    n : int
        Transitions counted.
    thin_cells : float
        Share of cells with an expected count below 5. Beyond a fifth or so (common
        practice) the p-values are not to be trusted: fit a chain with fewer states.
    """

    question: str
    g: float
    chi_square: float
    df: int
    p_g: float
    p_chi_square: float
    n: int
    thin_cells: float


def independence(tables: ArrayLike, question: str) -> ChainTest:
    """Test that rows and columns are independent within each of a stack of tables of counts.

    Statistics and degrees of freedom add up over the stack, (k, r, c).
    """
    from scipy.stats import chi2  # noqa: PLC0415 - slow to load

    counts = np.asarray(tables, dtype=float)
    counts = counts[None] if counts.ndim == 2 else counts
    rows, columns = counts.sum(axis=2), counts.sum(axis=1)
    total = rows.sum(axis=1)
    n = np.where(total > 0, total, 1.0)
    expected = rows[:, :, None] * columns[:, None, :] / n[:, None, None]
    cells = expected > 0
    ratio = np.divide(counts, expected, out=np.ones_like(counts), where=cells & (counts > 0))
    g = 2.0 * float(np.sum(counts * np.log(ratio)))
    gap = np.divide((counts - expected) ** 2, expected, out=np.zeros_like(counts), where=cells)
    chi_square = float(gap.sum())
    freedom = np.maximum((rows > 0).sum(axis=1) - 1, 0) * np.maximum(
        (columns > 0).sum(axis=1) - 1, 0
    )
    df = int(freedom.sum())
    tested = cells & (freedom > 0)[:, None, None]
    thin = float((expected[tested] < 5).mean()) if tested.any() else float("nan")
    p_g, p_chi = (float(chi2.sf(x, df)) if df else float("nan") for x in (g, chi_square))
    return ChainTest(question, g, chi_square, df, p_g, p_chi, int(total.sum()), thin)


def order_test(
    states: ArrayLike, sequence: ArrayLike, order: int = 1, n_states: int | None = None
) -> ChainTest:
    """Test a chain of one order against the next higher one.

    Order 0: does the next state depend on the present one? Order 1: does it, given the present
    state, depend on the one before? Order 2: on the one before that? States are in time order, from
    0, negative ones breaking the sequence; rows of one sequence (a rally) share a number, and
    transitions stay inside it.
    """
    x, q = np.asarray(states, dtype=np.int64), np.asarray(sequence)
    k = int(x.max()) + 1 if n_states is None else n_states
    depth = order + 1
    steps = [x[i : len(x) - depth + i] for i in range(depth + 1)]
    use = (q[: len(q) - depth] == q[depth:]) & (np.min(steps, axis=0) >= 0)
    past, present_to_next = steps[0][use], [step[use] for step in steps[1:]]
    *present, following = present_to_next
    context = np.zeros(len(past), dtype=np.int64)
    for step in present:
        context = context * k + step
    contexts = k ** len(present)
    code = (context * k + past) * k + following
    counts = np.bincount(code, minlength=contexts * k * k).reshape(contexts, k, k)
    words = {
        0: "does the next state depend on the present one?",
        1: "given the present state, does the next depend on the one before?",
        2: "given two states, does the next depend on the one before them?",
    }
    return independence(counts, words[order])


def stationarity_test(start: ArrayLike, target: ArrayLike, period: ArrayLike) -> ChainTest:
    """Test that rows from present to next state are the same in every period, counted from 0."""
    i, j, t = (np.asarray(part, dtype=np.int64) for part in (start, target, period))
    shape = (int(i.max()) + 1, int(t.max()) + 1, int(j.max()) + 1)
    counts = np.zeros(shape)
    np.add.at(counts, (i, t, j), 1.0)
    return independence(counts, "do the transitions differ between periods?")
