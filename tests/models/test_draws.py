"""Draws, and the moments they are made of, against exact grids, dense algebra and libraries.

Draws are not independent. Of n draws about n / 6 count (the effective number of a spread's
logarithm); tolerances are four standard errors of that many independent draws.
"""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit
from scipy.stats import t as student

from sidewall.models import draws
from sidewall.models.draws import Groups, LogitDraws, design_effect, draw
from sidewall.models.moments import FewRows, Moments, SummedRows

N = 3000
EFFECTIVE = N / 6


def close_to(drawn, mean, sd):
    """Means within four errors; standard deviations too, as of draws with a normal's tails."""
    error = np.abs(drawn.mean(axis=0) - mean) / (sd / np.sqrt(EFFECTIVE))
    spread = np.abs(drawn.std(axis=0) / sd - 1.0) * np.sqrt(2 * EFFECTIVE)
    assert error.max() < 4.0
    assert spread.max() < 4.0


KINDS = pytest.mark.parametrize("kind", [SummedRows, FewRows])


def blocks_of(kind, X, Z, group, weight):
    """The players in two blocks of a kind, the first player in the second."""
    players = np.unique(group)
    own = [group == i for i in players]
    if kind is FewRows:
        return tuple(
            FewRows.of(some, lambda i: iter([(X[own[i]], Z[own[i]], weight[own[i]])]))
            for some in (players[1:], players[:1])
            if len(some)
        )
    zz = np.stack([(Z[r].T * weight[r]) @ Z[r] for r in own])
    zx = np.stack([(Z[r].T * weight[r]) @ X[r] for r in own])
    parts = (players[1:], players[:1])
    return tuple(SummedRows(some, zz[some], zx[some]) for some in parts if len(some))


def products(block):
    """Cross products of a block of either kind, in the order of its players."""
    if isinstance(block, SummedRows):
        return block.zz, block.zx
    turned = block.Z.swapaxes(1, 2)
    return turned @ block.Z, turned @ block.X


def plain_moments(X, Z, group, weight, y, groups, kind=SummedRows):
    """Cross products by dense algebra."""
    W = np.diag(weight)
    own = [group == i for i in range(groups)]
    return Moments(
        X.T @ W @ X,
        X.T @ W @ y,
        np.stack([Z[r].T @ (weight[r] * y[r]) for r in own]),
        blocks_of(kind, X, Z, group, weight),
        np.zeros((X.shape[1], 0)),
        np.zeros((groups, Z.shape[1], 0)),
    )


def many_groups(rng, players=5, rows=60):
    """Rows with a flat level, two common columns of a group, two own columns of two groups."""
    group = np.repeat(np.arange(players), rows)
    x = rng.normal(size=(players * rows, 2))
    one = np.ones((len(x), 1))
    X, Z = np.column_stack([one, x]), np.column_stack([one, x[:, :1]])
    u = rng.normal(0.0, [0.5, 0.1], (players, 2))
    weight = rng.uniform(0.5, 2.0, len(x))
    y = X @ [0.3, 0.4, -0.2] + (Z * u[group]).sum(1) + rng.normal(size=len(x)) / np.sqrt(weight)
    groups = Groups(
        np.array([-1, 0, 0]), np.array([1, 2]), ["x", "level", "slope"], np.array([0.3, 0.4, 0.2])
    )
    return X, Z, group, weight, y, groups


def dense(X, Z, group, weight, y, groups):
    """Exact posterior of everything: all coefficients together at each point of a spread grid."""
    players, p, q = int(group.max()) + 1, X.shape[1], Z.shape[1]
    big = np.zeros((len(X), p + players * q))
    big[:, :p] = X
    for i in range(players):
        big[group == i, p + i * q : p + (i + 1) * q] = Z[group == i]
    gram, b = (big.T * weight) @ big, big.T @ (weight * y)
    of = np.concatenate([groups.common, np.tile(groups.own, players)])
    tops = [np.linspace(0.02, 8.0, 20) ** 1.5 * s / 3 for s in groups.scale]
    spread = np.stack(np.meshgrid(*tops, indexing="ij"), axis=-1).reshape(-1, 3)
    steps = np.meshgrid(*[np.gradient(t) for t in tops], indexing="ij")
    prior = np.where(of < 0, 1e-4, spread[:, of] ** -2.0)
    L = np.linalg.cholesky(gram + prior[:, :, None] * np.eye(len(of)))
    inverse = np.linalg.inv(L)
    half = inverse @ b
    log_weight = 0.5 * (half**2).sum(1) - np.log(np.einsum("kii->ki", L)).sum(1)
    log_weight += 0.5 * np.log(prior).sum(1) + np.log(np.prod(steps, axis=0).ravel())
    log_weight += student.logpdf(spread / groups.scale, 4).sum(1)
    w = np.exp(log_weight - log_weight.max())[:, None] / np.exp(log_weight - log_weight.max()).sum()
    mean = np.einsum("kji,kj->ki", inverse, half)
    first, second = (w * mean).sum(0), (w * ((inverse**2).sum(1) + mean**2)).sum(0)
    return first, np.sqrt(second - first**2)


def flat(found):
    """Common coefficients, then every player's own, shape (draws, p + players x q)."""
    own = np.moveaxis(found.own.astype(float), 0, 1)
    return np.concatenate([found.common, own.reshape(len(own), -1)], axis=1)


@KINDS
@pytest.mark.parametrize("each", [1, 2, 5])
def test_several_groups_against_a_dense_grid(each, kind, monkeypatch):
    """One draw a sweep, two as in a long run, and several as where there are many players."""
    monkeypatch.setattr(draws, "_PLAYERS_A_DRAW", 1 if each == 5 else 6)
    monkeypatch.setattr(draws, "_ENOUGH", N if each == 2 else N * each)
    X, Z, group, weight, y, groups = many_groups(np.random.default_rng(5))
    m = plain_moments(X, Z, group, weight, y, 5, kind)
    found = draw(m, groups, N * each, 200, np.random.default_rng(2))
    assert len(np.unique(found.spread[:, 0])) == N
    close_to(flat(found), *dense(X, Z, group, weight, y, groups))


@KINDS
def test_values_that_move_move_the_answers_as_the_right_hand_side_says(kind):
    X, Z, group, weight, y, groups = many_groups(np.random.default_rng(6))
    m = plain_moments(X, Z, group, weight, y, 5, kind)
    rng = np.random.default_rng(7)
    V = rng.normal(size=(len(y), 3))  # y moves by V @ shift
    xm = X.T @ (weight[:, None] * V)
    zm = np.stack([Z[group == i].T @ (weight[:, None] * V)[group == i] for i in range(5)])
    shift = np.array([0.1, -0.2, 0.05])
    moving = replace(m, xm=xm, zm=zm)
    one = draw(moving, groups, 200, 20, np.random.default_rng(3), np.tile(shift, (200, 1)))
    moved = plain_moments(X, Z, group, weight, y + V @ shift, 5, kind)
    two = draw(moved, groups, 200, 20, np.random.default_rng(3))
    np.testing.assert_allclose(one.common, two.common, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(one.own, two.own, rtol=1e-5, atol=1e-6)
    still = draw(m, groups, 200, 20, np.random.default_rng(3))
    assert np.abs(one.common - still.common).max() > 0.01


@KINDS
@pytest.mark.parametrize("each", [1, 4])
def test_values_that_are_unsure_widen_the_answers(each, kind, monkeypatch):
    """A level alone: its variance is that of its mean, and of the values' mean over rows."""
    monkeypatch.setattr(draws, "_PLAYERS_A_DRAW", 1.0 / each)
    n = 60
    one = np.ones((n, 1))
    y = np.random.default_rng(0).normal(size=n)
    groups = Groups(np.array([-1]), np.array([0]), ["own"], np.array([1e-6]))
    m = plain_moments(one, one, np.zeros(n, dtype=int), np.ones(n), y, 1, kind)
    m = replace(m, xm=np.full((1, 1), n), zm=np.full((1, 1, 1), n))
    shifts = np.random.default_rng(1).normal(0.0, 0.2, (N, 1))
    found = draw(m, groups, N, 50, np.random.default_rng(2), shifts)
    close_to(found.common, y.mean(), np.array([np.sqrt(1 / n + 0.2**2)]))


def test_sums_over_rows_are_the_dense_cross_products():
    """One player with a single row, and one with none: their rows are kept as they are."""
    rng = np.random.default_rng(8)
    kinds_x, kinds_z = rng.normal(size=(30, 3)), rng.normal(size=(30, 2))
    kind = rng.integers(0, 30, 501)
    group = np.sort(np.append(rng.choice([0, 1, 4, 5], 500), 2))
    weight, right = rng.random(501), rng.normal(size=501)
    ours = Moments.of((kinds_x, kinds_z), kind, group, 6, weight, right)
    X, Z = kinds_x[kind], kinds_z[kind]
    assert [type(block) for block in ours.blocks] == [SummedRows, FewRows]
    assert ours.blocks[0].player.tolist() == [0, 1, 4, 5]
    assert sorted(ours.blocks[1].player) == [2, 3]
    np.testing.assert_allclose(ours.xx, (X.T * weight) @ X, atol=1e-10)
    np.testing.assert_allclose(ours.xy, X.T @ right, atol=1e-10)
    for block in ours.blocks:
        for player, zz, zx in zip(block.player, *products(block), strict=True):
            own = group == player
            np.testing.assert_allclose(zz, (Z[own].T * weight[own]) @ Z[own], atol=1e-10)
            np.testing.assert_allclose(zx, (Z[own].T * weight[own]) @ X[own], atol=1e-10)
            np.testing.assert_allclose(ours.zy[player], Z[own].T @ right[own], atol=1e-10)
            level = (weight[own] * Z[own, 0] ** 2).sum()
            np.testing.assert_allclose(ours.level[player], level, atol=1e-10)
    less = ours.widened(4.0)
    for block, wide in zip(ours.blocks, less.blocks, strict=True):
        for one, two in zip(products(block), products(wide), strict=True):
            np.testing.assert_allclose(two, one / 4.0, atol=1e-12)
    for name in ("xx", "xy", "zy", "level"):
        np.testing.assert_allclose(getattr(less, name), getattr(ours, name) / 4.0)


@KINDS
def test_luck_is_one_more_own_column_the_level_scaled(kind):
    """The closed sums against the dense products of the columns that they stand for."""
    X, Z, group, weight, y, _ = many_groups(np.random.default_rng(9))
    variance = np.array([0.5, 0.0, 2.0, 1.0, 4.0])
    m = plain_moments(X, Z, group, weight, y, 5, kind)
    m = replace(m, xm=X.T @ X, zm=np.stack([Z[group == i].T @ X[group == i] for i in range(5)]))
    more = np.column_stack([Z, np.sqrt(variance)[group] * Z[:, 0]])
    dense_sums = plain_moments(X, more, group, weight, y, 5, kind)
    found = m.with_luck(variance)
    for name in ("xx", "xy", "zy"):
        np.testing.assert_allclose(getattr(found, name), getattr(dense_sums, name), atol=1e-10)
    for ours, plain in zip(found.blocks, dense_sums.blocks, strict=True):
        np.testing.assert_array_equal(ours.player, plain.player)
        for one, two in zip(products(ours), products(plain), strict=True):
            np.testing.assert_allclose(one, two, atol=1e-10)
    moving = np.stack([more[group == i].T @ X[group == i] for i in range(5)])
    np.testing.assert_allclose(found.zm, moving, atol=1e-10)
    np.testing.assert_array_equal(found.xm, m.xm)


@pytest.mark.parametrize("rows", [3, 4, 60])
def test_rows_kept_are_eliminated_as_their_sums_are(rows):
    """Fewer rows than own columns, as many, and more: the same by either formula."""
    rng = np.random.default_rng(rows)
    group = np.repeat(np.arange(3), rows)
    X, Z = rng.normal(size=(3 * rows, 2)), rng.normal(size=(3 * rows, 4))
    weight = rng.uniform(0.5, 2.0, len(X))
    units = rng.normal(size=4), np.array([1.0, -0.7]), rng.uniform(0.2, 2.0, 4)
    zy, xi = rng.normal(size=(3, 4, 5)), rng.normal(size=(3, 4))
    b, flat = np.array([0.0, 0.6]), np.array([1.3, 0.0])
    member = np.eye(3)[[0, 0, 1, 2]], np.array([[0, 0, 0], [0, 0, 1.0]])
    summed, kept = (blocks_of(kind, X, Z, group, weight)[0] for kind in (SummedRows, FewRows))
    right = zy[summed.player]
    one, two = summed.eliminate(units, right)[0], kept.eliminate(units, right)[0]
    np.testing.assert_allclose(one, two, atol=1e-9)
    own = xi[summed.player]
    found = summed.regressed(own, b, flat, member), kept.regressed(own, b, flat, member)
    for one, two in zip(*found, strict=True):
        np.testing.assert_allclose(one, two, atol=1e-9)


def test_the_same_seed_draws_the_same():
    X, Z, group, weight, y, groups = many_groups(np.random.default_rng(5))
    m = plain_moments(X, Z, group, weight, y, 5)
    one, two, other = (draw(m, groups, 20, 5, np.random.default_rng(k)) for k in (1, 1, 2))
    np.testing.assert_array_equal(one.common, two.common)
    assert not np.array_equal(one.common, other.common)


# -- the logistic curve ----------------------------------------------------------------------

LEVEL = Groups(np.array([-1, -1]), np.array([0]), ["level"], np.array([0.01]))


def logistic_rows(seed, n=3000, cluster_size=1):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    luck = np.repeat(rng.random(n // cluster_size), cluster_size)
    x = np.repeat(x[: n // cluster_size], cluster_size)
    y = (luck < expit(0.3 + 0.7 * x)).astype(float)
    return y, np.column_stack([np.ones(n), x])


def test_groups_that_hardly_vary_give_the_plain_logistic_regression():
    y, X = logistic_rows(0)
    group = np.arange(len(y)) % 6
    plain = sm.Logit(y, X).fit(disp=0)
    found = LogitDraws(LEVEL, draws=N).fit(y, X, np.ones((len(y), 1)), group)
    close_to(found.draws_.common, plain.params, plain.bse)
    assert found.design_effect_ == 1.0
    assert np.median(np.abs(found.draws_.own)) < 0.02


def test_a_known_offset_is_taken_off():
    y, X = logistic_rows(1)
    known = 0.5 * np.sin(np.arange(len(y)))
    plain = sm.Logit(y, X, offset=known).fit(disp=0)
    found = LogitDraws(LEVEL, draws=N).fit(y, X, np.ones((len(y), 1)), np.zeros(len(y)), known)
    close_to(found.draws_.common, plain.params, plain.bse)


def test_the_design_effect_is_the_trace_of_another_librarys_covariances():
    y, X = logistic_rows(2, cluster_size=4)
    cluster = np.arange(len(y)) // 4
    plain = sm.Logit(y, X).fit(disp=0)
    kinds = {"groups": cluster, "use_correction": False}
    robust = sm.Logit(y, X).fit(disp=0, cov_type="cluster", cov_kwds=kinds)
    p = plain.predict()
    found = design_effect(X * (y - p)[:, None], cluster, np.linalg.inv(plain.cov_params()))
    expected = np.trace(np.linalg.solve(plain.cov_params(), robust.cov_params())) / 2
    assert found == pytest.approx(expected, rel=1e-5)
    assert found > 3.0  # four rows that share everything tell as much as one


def test_rows_that_share_their_luck_widen_the_draws():
    y, X = logistic_rows(2, cluster_size=4)
    cluster = np.arange(len(y)) // 4
    kinds = {"groups": cluster, "use_correction": False}
    robust = sm.Logit(y, X).fit(disp=0, cov_type="cluster", cov_kwds=kinds)
    found = LogitDraws(LEVEL, draws=N).fit(
        y, X, np.ones((len(y), 1)), np.zeros(len(y)), cluster=cluster
    )
    # every row four times: one factor is the whole of it
    np.testing.assert_allclose(
        found.draws_.common.std(axis=0), robust.bse, rtol=4 / np.sqrt(2 * EFFECTIVE) + 0.03
    )


def test_groups_in_any_order_and_of_any_label_are_found():
    rng = np.random.default_rng(4)
    names = np.array(["Cedar", "Alder", "Birch"])
    who = rng.integers(0, 3, 3000)
    y = (rng.random(3000) < expit(np.array([0.8, 0.0, -0.8])[who])).astype(float)
    one = np.ones((3000, 1))
    groups = Groups(np.array([-1]), np.array([0]), ["level"], np.array([0.5]))
    found = LogitDraws(groups, draws=500).fit(y, one, one, names[who])
    assert list(found.groups_) == ["Alder", "Birch", "Cedar"]
    own = found.draws_.mean[1][:, 0]
    assert own[2] > own[0] > own[1]
    level = found.draws_.mean[0][0] + own
    raw = np.array([y[names[who] == name].mean() for name in found.groups_])
    np.testing.assert_allclose(expit(level), raw, atol=0.03)
