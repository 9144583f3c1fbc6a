import numpy as np
import pytest
from scipy.special import expit

from sidewall.errors import DataError, SeparationError
from sidewall.trust import doubly_robust
from sidewall.trust.doubly_robust import clustered_error, independent_columns

EFFECT = 0.4


def sample(rng, n, *, bent_outcome=False, bent_choice=False):
    """Outcome and choice both driven by x; the choice adds 0.4, whatever x is."""
    x = rng.standard_normal(n)
    off = x**2 - 1.0
    chosen = rng.random(n) < expit(0.8 * x + (0.8 * off if bent_choice else 0.0))
    y = EFFECT * chosen + x + (off if bent_outcome else 0.0) + 0.5 * rng.standard_normal(n)
    return x, chosen.astype(float), y


def columns(x, *, square=False):
    return np.column_stack([np.ones(len(x)), x, *([x**2] if square else [])])


def test_naive_is_wrong_where_the_doubly_robust_is_right():
    x, t, y = sample(np.random.default_rng(1), 4000)
    found = doubly_robust(y, t, columns(x), columns(x))
    naive = doubly_robust(y, t, columns(x)[:, :1], columns(x)[:, :1])
    assert naive.effect == pytest.approx(y[t == 1].mean() - y[t == 0].mean())
    assert naive.effect - 3 * naive.error > EFFECT
    assert abs(found.effect - EFFECT) < 3 * found.error
    assert found.effect == pytest.approx(found.mean_1 - found.mean_0)


@pytest.mark.parametrize("bent", ["bent_outcome", "bent_choice"])
def test_one_right_model_is_enough(bent):
    x, t, y = sample(np.random.default_rng(2), 20_000, **{bent: True})
    found = doubly_robust(y, t, columns(x), columns(x))
    assert abs(found.effect - EFFECT) < 3.5 * found.error


def test_two_wrong_models_are_not():
    # so that the two tests above can fail
    x, t, y = sample(np.random.default_rng(3), 20_000, bent_outcome=True, bent_choice=True)
    found = doubly_robust(y, t, columns(x), columns(x))
    assert abs(found.effect - EFFECT) > 5 * found.error
    right = doubly_robust(y, t, columns(x, square=True), columns(x, square=True))
    assert abs(right.effect - EFFECT) < 3.5 * right.error


def test_intervals_of_clustered_rows_cover():
    rng = np.random.default_rng(4)
    hits, alone, runs, clusters, size = 0, 0, 400, 60, 6
    rally = np.repeat(np.arange(clusters), size)
    for _ in range(runs):
        # choice and outcome both share a part within the rally
        x = rng.standard_normal(clusters * size)
        leaning = rng.standard_normal(clusters)[rally]
        t = (rng.random(len(x)) < expit(0.6 * x + 1.5 * leaning)).astype(float)
        shared = rng.standard_normal(clusters)[rally]
        y = EFFECT * t + x + shared + 0.3 * rng.standard_normal(len(x))
        found = doubly_robust(y, t, columns(x), columns(x), rally)
        hits += abs(found.effect - EFFECT) < 1.96 * found.error
        naive = clustered_error(found.influence, np.arange(len(y)))
        alone += abs(found.effect - EFFECT) < 1.96 * naive
    # four standard errors of a simulation of 400 around 95 in 100, one down for few clusters
    assert 0.90 <= hits / runs <= 0.993
    assert alone < hits - 20


def test_errors_shrink_with_the_square_root_of_n():
    x, t, y = sample(np.random.default_rng(6), 500)
    one = doubly_robust(y, t, columns(x), columns(x))
    four = doubly_robust(*(np.tile(v, 4) for v in (y, t)), *(np.tile(columns(x), (4, 1)),) * 2)
    assert four.effect == pytest.approx(one.effect)
    assert four.error == pytest.approx(one.error / 2, rel=2e-3)
    # the same rows four times over are no news if they are one cluster
    same = doubly_robust(
        *(np.tile(v, 4) for v in (y, t)),
        *(np.tile(columns(x), (4, 1)),) * 2,
        np.tile(np.arange(500), 4),
    )
    assert same.error == pytest.approx(one.error, rel=1e-6)


def test_a_choice_that_is_told_without_fault_is_refused():
    x = np.linspace(-1, 1, 60)
    t = (x > 0).astype(float)
    with pytest.raises(SeparationError, match="without fault"):
        doubly_robust(x, t, columns(x), columns(x))


def test_too_few_of_a_choice_are_refused():
    x = np.arange(20.0)
    t = np.r_[1.0, 1.0, np.zeros(18)]
    with pytest.raises(DataError, match="2 attacks and 18 resets"):
        doubly_robust(x, t, columns(x), columns(x))


def test_columns_that_follow_from_those_before_are_found():
    x = np.random.default_rng(1).standard_normal((30, 2))
    X = np.column_stack([np.ones(30), x[:, 0], 2 * x[:, 0] - 1, np.zeros(30), x[:, 1]])
    assert independent_columns(X).tolist() == [True, True, False, False, True]
    assert independent_columns(X[:2])[:2].tolist() == [True, True]
