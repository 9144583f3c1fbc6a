"""Blocks of groups and the start from some of them change nothing but the work."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from sidewall.models import PooledLogit, blocks, laplace, search
from sidewall.models.blocks import some_groups


@pytest.fixture(scope="module")
def rows():
    rng = np.random.default_rng(4)
    n, groups = 9000, 40
    g, j = rng.integers(0, groups, n), rng.integers(0, 5, n)
    x = np.round(rng.normal(size=n), 1)
    X = pd.DataFrame({"one": 1.0, "x": x})
    u = rng.normal(0, [0.5, 0.4], (groups, 2))
    m = rng.normal(0, 0.3, (groups, 5))
    eta = 0.2 + 0.5 * x + np.sum(X.to_numpy() * u[g], axis=1) + m[g, j]
    y = (rng.random(n) < expit(eta)).astype(float)
    return {"y": y, "X": X, "Z": X, "groups": g, "subgroups": j}


@pytest.fixture(scope="module")
def plain(rows):
    return PooledLogit(sd_shape=2.0).fit(**rows)


def test_blocks_add_up_to_the_whole(rows, plain, monkeypatch):
    monkeypatch.setattr(blocks, "_ROWS_IN_BLOCK", 500)
    fit = PooledLogit(sd_shape=2.0).fit(**rows)
    assert len(fit._found.blocks.parts) > 5
    at = plain.params_
    monkeypatch.setattr(laplace, "_DECREMENT", 1e-18)  # modes exact, so that sums can be
    for ours, theirs in zip(fit._evaluate(at), plain._evaluate(at), strict=True):
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-7)
    np.testing.assert_allclose(fit.params_, plain.params_, atol=1e-6)
    np.testing.assert_allclose(fit.random_effects_, plain.random_effects_, atol=1e-6)
    np.testing.assert_allclose(fit.subgroup_effects_, plain.subgroup_effects_, atol=1e-6)


def test_a_start_from_some_groups_ends_at_the_same_place(rows, plain, monkeypatch):
    monkeypatch.setattr(search, "LARGE", 1000)
    monkeypatch.setattr(search, "_FEWEST_FIRST", 10)
    fit = PooledLogit(sd_shape=2.0).fit(**rows)
    assert plain._found.covariance_guess is None
    assert fit._found.covariance_guess is not None
    assert fit.converged_
    se = np.sqrt(np.diag(plain._information()))
    assert (np.abs(fit.params_ - plain.params_) < 0.01 * se).all()
    # the guess is of the size of the truth
    guess = np.sqrt(np.diag(fit._found.covariance_guess))
    assert (guess[:2] < 3 * se[:2]).all()
    assert (guess[:2] > se[:2] / 3).all()


def test_some_groups_are_those_rows_alone(rows, plain):
    chosen = np.arange(0, 40, 3)
    few = some_groups(plain._rows_, chosen)
    at = np.isin(rows["groups"], chosen)
    alone = PooledLogit(sd_shape=2.0).fit(
        rows["y"][at],
        rows["X"][at],
        rows["Z"][at],
        rows["groups"][at],
        subgroups=rows["subgroups"][at],
    )
    assert few.layout.n_rows == alone.n_distinct_
    found = search.Search(few, alone._found.shape, 2.0, 200, 1e-4)
    ours, theirs = (one.evaluate(plain.params_) for one in (found, alone._found))
    assert ours[0] == pytest.approx(theirs[0], rel=1e-12)
    np.testing.assert_allclose(ours[1], theirs[1], atol=1e-8)
