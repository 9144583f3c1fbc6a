import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sidewall.models.pooled_rows import collapse, row_codes


@given(arrays(np.int64, st.tuples(st.integers(1, 60), st.just(3)), elements=st.integers(-2, 2)))
def test_equal_rows_share_a_code_and_others_do_not(rows):
    codes = row_codes(*rows.T)
    same = (rows[:, None, :] == rows[None, :, :]).all(axis=2)
    np.testing.assert_array_equal(codes[:, None] == codes[None, :], same)


@given(st.lists(st.integers(0, 4), min_size=1, max_size=40))
def test_collapse_keeps_the_totals(values):
    codes = row_codes(np.array(values))
    first, (total, ones) = collapse(codes, np.array(values, float), np.ones(len(values)))
    assert ones.sum() == len(values)
    np.testing.assert_allclose(total, np.array(values)[first] * ones)
