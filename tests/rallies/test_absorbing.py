import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sidewall.errors import DataError
from sidewall.rallies.absorbing import (
    alternating_values,
    fundamental_matrix,
    never_absorbed,
)

weights = arrays(float, (2, 4, 7), elements=st.floats(0.01, 1))


@given(weights)
def test_alternating_strikers_are_one_big_absorbing_chain(w):
    one, two = w / w.sum(axis=-1, keepdims=True)
    first, second = alternating_values(one, two)
    s = 4
    Q = np.block([[np.zeros((s, s)), one[:, :s]], [two[:, :s], np.zeros((s, s))]])
    # ends as player one sees them
    R = np.vstack([one[:, s:], two[:, [s + 1, s, s + 2]]])
    B = fundamental_matrix(Q) @ R
    np.testing.assert_allclose(first, B[:s, :2], atol=1e-12)
    np.testing.assert_allclose(second, B[s:, [1, 0]], atol=1e-12)


@given(weights)
def test_chances_are_chances(w):
    one, two = w / w.sum(axis=-1, keepdims=True)
    for values in alternating_values(one, two):
        assert (values >= 0).all()
        assert (values.sum(axis=-1) <= 1 + 1e-12).all()


def test_stacks_of_chains_are_solved_one_by_one():
    rng = np.random.default_rng(0)
    w = rng.random((2, 3, 4, 7))
    w /= w.sum(axis=-1, keepdims=True)
    first, _ = alternating_values(w[0], w[1])
    for k in range(3):
        np.testing.assert_allclose(first[k], alternating_values(w[0, k], w[1, k])[0])


def test_a_state_that_never_ends_is_named_not_divided_by():
    Q = np.array([[0.5, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
    assert never_absorbed(Q).tolist() == [False, True, True]
    with pytest.raises(DataError, match="state 1, 2"):
        fundamental_matrix(Q)
