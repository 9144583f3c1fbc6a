"""Does the past matter beyond the present state? Is the chain the same in every game?

Tests of the order and the stationarity of a Markov chain by contingency tables (Anderson
& Goodman 1957, Annals of Mathematical Statistics 28:89-110). Rows and columns that are
empty take no degree of freedom.

The chi-squared law of the two statistics needs counts that are not thin, and with many states
they are, however long the log. So the answer is a shuffled p-value: how often moves whose rows
were shuffled, as is fair where the question's answer is no, lie at least as unevenly as those
that were seen. The measure is Pearson's: where no cell holds more than one move, the likelihood
ratio is the same after every shuffle, as it then adds up the margins alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Floats, Ints

#: Largest share of cells with an expected count below 5 at which the chi-squared law will do
#: (Cochran 1954, Biometrics 10:417-451).
_MOST_THIN: Final = 0.2
_FIRM: Final = 5


@dataclass(frozen=True)
class ChainTest:
    """A shuffled, a likelihood-ratio and a Pearson test that ask the same question.

    Attributes
    ----------
    question : str
    g, chi_square : float
        Likelihood-ratio and Pearson statistics.
    df : int
        Degrees of freedom, empty rows and columns left out.
    p_g, p_chi_square : float
        By the chi-squared law, which holds for large counts: NaN where more than a fifth of the
        cells are thin, and when no degree of freedom is left.
    n : int
        Transitions counted.
    thin_cells : float
        Share of cells with an expected count below 5.
    p_value : float
        The answer, for tables of any size: the chance of a Pearson statistic at least as large
        as this one where the answer to the question is no. Small (below 0.01, say) means yes.
        NaN without shuffles, when no degree of freedom is left, or when periods change within
        a rally.
    """

    question: str
    g: float
    chi_square: float
    df: int
    p_g: float
    p_chi_square: float
    n: int
    thin_cells: float
    p_value: float = float("nan")


@dataclass(frozen=True)
class _Stack:
    """Moves as the counts of a stack of tables: where each lies but for its row, shape (n,).

    Tables and columns are numbered among those that occur, columns over all tables, so that
    the work goes with the moves and not with the cells that there might be.
    """

    table: Ints
    column: Ints
    rows: int

    @classmethod
    def of(cls, table: Ints, column: Ints, rows: int) -> _Stack:
        """Number the tables, and the columns of each."""
        tables = np.unique(table, return_inverse=True)[1]
        wide = tables * (int(column.max(initial=0)) + 1) + column
        return cls(tables, np.unique(wide, return_inverse=True)[1], rows)

    def chi_square(self, row: Ints) -> float:
        """Pearson's statistic, added up over the tables, with each move in a row of its table."""
        cell, line = self.column * self.rows + row, self.table * self.rows + row
        seen, rows, columns, n = (np.bincount(k)[k] for k in (cell, line, self.column, self.table))
        # the sum over cells of seen squared by expected, a move at a time
        return float(np.sum(seen * n / (rows * columns)) - len(row))

    def test(self, row: Ints, question: str) -> ChainTest:
        """Both statistics, and the p-values of large counts."""
        from scipy.stats import chi2  # noqa: PLC0415 - slow to load

        tables, columns = int(self.table.max(initial=-1)) + 1, int(self.column.max(initial=-1)) + 1
        of_column = np.zeros(columns, dtype=np.int64)
        of_column[self.column] = self.table
        seen = _counts(self.column, row, columns, self.rows)
        in_row, total = _counts(self.table, row, tables, self.rows), np.bincount(self.table)
        expected = in_row[of_column] * (seen.sum(axis=1) / total[of_column])[:, None]
        cells = expected > 0
        gap = np.divide((seen - expected) ** 2, expected, out=np.zeros_like(seen), where=cells)
        ratio = np.divide(seen, expected, out=np.ones_like(seen), where=seen > 0)
        g, chi_square = 2.0 * float(np.sum(seen * np.log(ratio))), float(gap.sum())
        freedom = ((in_row > 0).sum(axis=1) - 1) * (np.bincount(of_column, minlength=tables) - 1)
        df = int(freedom.sum())
        tested = expected[cells & (freedom > 0)[of_column][:, None]]
        thin = float((tested < _FIRM).mean()) if df else float("nan")
        p = [float(chi2.sf(x, df)) if thin <= _MOST_THIN else float("nan") for x in (g, chi_square)]
        return ChainTest(question, g, chi_square, df, p[0], p[1], len(row), thin)

    def shuffled_p(
        self,
        rows: Ints,
        unit: Ints,
        block: Ints,
        permutations: int,
        rng: np.random.Generator,
    ) -> float:
        """Chance of a statistic as large as that seen when rows are shuffled within blocks.

        `rows` and `block` are of units, and `unit` says which one each move belongs to: its
        moves go together.
        """
        order = np.argsort(block, kind="stable")
        rows, block, place = rows[order], block[order], np.argsort(order)[unit]
        least = self.chi_square(rows[place]) * (1.0 - 1e-9)
        beyond = 0
        for _ in range(permutations):
            again = rows[np.argsort(block + rng.random(len(block)))]
            beyond += self.chi_square(again[place]) >= least
        return (1 + beyond) / (1 + permutations)


def _counts(one: Ints, other: Ints, ones: int, others: int) -> Floats:
    found = np.bincount(one * others + other, minlength=ones * others)
    return found.reshape(ones, others).astype(float)


def independence(tables: ArrayLike, question: str) -> ChainTest:
    """Test that rows and columns are independent within each of a stack of tables of counts.

    Statistics and degrees of freedom add up over the stack, (k, r, c).
    """
    counts = np.asarray(tables, dtype=np.int64)
    counts = counts[None] if counts.ndim == 2 else counts
    table, row, column = (np.repeat(at, counts[counts > 0]) for at in np.nonzero(counts))
    return _Stack.of(table, column, counts.shape[1]).test(row, question)


def order_test(
    states: ArrayLike,
    sequence: ArrayLike,
    order: int = 1,
    n_states: int | None = None,
    permutations: int = 199,
    seed: int | np.random.Generator = 0,
) -> ChainTest:
    """Test a chain of one order against the next higher one.

    Order 0: does the next state depend on the present one? Order 1: does it, given the present
    state, depend on the one before? Order 2: on the one before that? States are in time order, from
    0, negative ones breaking the sequence; rows of one sequence (a rally) share a number, and
    transitions stay inside it.

    A chain of the order asked about makes the next state independent of that past given the
    present, so the past is shuffled among the moves with the same present.
    """
    x, q = np.asarray(states, dtype=np.int64), np.asarray(sequence)
    k = int(x.max()) + 1 if n_states is None else n_states
    depth = order + 1
    steps = [x[i : len(x) - depth + i] for i in range(depth + 1)]
    use = (q[: len(q) - depth] == q[depth:]) & (np.min(steps, axis=0) >= 0)
    past, *present, following = (step[use] for step in steps)
    context = np.zeros(len(past), dtype=np.int64)
    for step in present:
        context = context * k + step
    words = {
        0: "does the next state depend on the present one?",
        1: "given the present state, does the next depend on the one before?",
        2: "given two states, does the next depend on the one before them?",
    }
    stack = _Stack.of(context, following, k)
    found = stack.test(past, words[order])
    if not permutations or not found.df:
        return found
    rng, every = np.random.default_rng(seed), np.arange(len(past))
    p = stack.shuffled_p(past, every, stack.table, permutations, rng)
    return replace(found, p_value=p)


def stationarity_test(
    start: ArrayLike,
    target: ArrayLike,
    period: ArrayLike,
    rally: ArrayLike | None = None,
    match: ArrayLike | None = None,
    permutations: int = 199,
    seed: int | np.random.Generator = 0,
) -> ChainTest:
    """Test that rows from present to next state are the same in every period, counted from 0.

    Where they are, a rally might as well have been played in another period of its match. So
    the periods of whole rallies are shuffled within matches: the moves of a rally stay together,
    however much they depend on one another, and what sets matches apart, such as who played,
    stays where it was. Periods that last whole matches are shuffled over all rallies. By
    default each move is a rally, and all are of one match.
    """
    i, j, t = (np.asarray(part, dtype=np.int64) for part in (start, target, period))
    stack = _Stack.of(i, j, int(t.max(initial=0)) + 1)
    found = stack.test(t, "do the transitions differ between periods?")
    unit = np.arange(len(t)) if rally is None else np.unique(rally, return_inverse=True)[1]
    _, first = np.unique(unit, return_index=True)
    whole = bool((t[first][unit] == t).all())
    if not permutations or not found.df or not whole:
        return found
    block = np.zeros(len(t), dtype=np.int64)
    if match is not None:
        block = np.unique(match, return_inverse=True)[1]
        if len(np.unique(block * stack.rows + t)) == len(np.unique(block)):
            block = np.zeros(len(t), dtype=np.int64)
    rng = np.random.default_rng(seed)
    p = stack.shuffled_p(t[first], unit, block[first], permutations, rng)
    return replace(found, p_value=p)
