from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sidewall.agreement.align import line_up


def cheapest(cost, leave):
    """Least cost over every set of pairs in order, by trying them all."""
    n, m = cost.shape
    return min(
        sum(cost[i, j] for i, j in zip(a, b, strict=True)) + leave * (n + m - 2 * k)
        for k in range(min(n, m) + 1)
        for a in combinations(range(n), k)
        for b in combinations(range(m), k)
    )


@settings(deadline=None)
@given(
    arrays(np.float64, st.tuples(st.integers(0, 5), st.integers(0, 5)),
           elements=st.floats(0, 4, width=16)),
    st.sampled_from([0.5, 1.0, 1.3]),
)  # fmt: skip
def test_no_alignment_is_cheaper(cost, leave):
    first, second = line_up(cost, leave)
    assert [i for i in first if i >= 0] == list(range(cost.shape[0]))
    assert [j for j in second if j >= 0] == list(range(cost.shape[1]))
    paired = (first >= 0) & (second >= 0)
    total = cost[first[paired], second[paired]].sum() + leave * np.sum(~paired)
    assert total == pytest.approx(cheapest(cost, leave), abs=1e-9)


def test_words_line_up():
    one, two = np.array(list("abcdef")), np.array(list("abdxef"))
    first, second = line_up(2.5 * (one[:, None] != two), 1.0)
    assert first.tolist() == [0, 1, 2, 3, -1, 4, 5]
    assert second.tolist() == [0, 1, -1, 2, 3, 4, 5]
