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


@pytest.mark.parametrize(("kind", "each"), [(SummedRows, 1), (FewRows, 2)])
def test_several_groups_against_a_dense_grid(each, kind, monkeypatch):
    """One draw a sweep, and several as where there are many players."""
    monkeypatch.setattr(draws, "_PLAYERS_A_DRAW", 5 / each)
    monkeypatch.setattr(draws, "_ENOUGH", N * each)
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


# -- one sweep, without luck and with known luck ----------------------------------------------


class Told:
    """Gives the noise that it is told to, by the shape asked for; gammas are their means."""

    def __init__(self, **by_use):
        self.by_use = by_use

    def standard_gamma(self, shape):
        return np.array(shape, dtype=float)

    def standard_normal(self, size, dtype=float):
        use = {1: "alpha", 2: "common", 3: "own"}[np.ndim(np.empty(size))]
        found = self.by_use.get(use, np.zeros)(size)
        return found.astype(dtype)


def some_chain(kind, luck, rng):
    """A chain somewhere on its way: rows, spreads and multipliers of any size."""
    X, Z, group, weight, y, groups = many_groups(rng, players=4, rows=7)
    if luck:
        scale = np.sqrt(np.array([0.5, 0.0, 2.0, 1.0]))
        Z = np.column_stack([Z, scale[group] * Z[:, 0]])
        groups = Groups(
            groups.common,
            np.append(groups.own, 3),
            [*groups.names, "luck"],
            np.append(groups.scale, 1.0),
        )
    m = plain_moments(X, Z, group, weight, y, 4, kind)

    def chain(told):
        found = draws._Chain(m, groups, told, fixed=3 if luck else None)
        state = np.random.default_rng(5)
        found.alpha = state.normal(1.0, 0.5, len(groups.names))
        found.tau2 = state.uniform(0.3, 2.0, len(groups.names))
        return found

    return chain, (X, Z, group, weight, y, groups)


def joint(rows, alpha, tau2):
    """Precision and right-hand side of all coefficients in expanded units, by dense algebra."""
    X, Z, group, weight, y, groups = rows
    p, q = X.shape[1], Z.shape[1]
    dx = np.where(groups.common < 0, 1.0, alpha[groups.common])
    px = np.where(groups.common < 0, 1e-4, 1 / tau2[groups.common])
    big = np.zeros((len(X), p + 4 * q))
    big[:, :p] = X * dx
    for i in range(4):
        big[group == i, p + i * q : p + (i + 1) * q] = Z[group == i] * alpha[groups.own]
    prior = np.concatenate([px, np.tile(1 / tau2[groups.own], 4)])
    return (big.T * weight) @ big + np.diag(prior), big.T @ (weight * y), dx


@KINDS
@pytest.mark.parametrize("luck", [False, True])
@pytest.mark.parametrize("count", [1, 3])
def test_a_sweep_without_noise_is_dense_algebra(kind, luck, count):
    """Coefficients, then multipliers by a regression on what each group adds, then variances."""
    make, rows = some_chain(kind, luck, np.random.default_rng(17))
    X, Z, group, weight, y, groups = rows
    chain = make(Told())
    alpha, tau2 = chain.alpha.copy(), chain.tau2.copy()
    kept = 2  # luck is left out of what is kept
    own = np.empty((4, count, kept), dtype=np.float32)
    common = chain.sweep(None, own)
    precision, right, dx = joint(rows, alpha, tau2)
    at = np.linalg.solve(precision, right)
    beta, xi = at[: X.shape[1]], at[X.shape[1] :].reshape(4, -1)
    for j in range(count - 1):  # all but the last in the units that they were drawn in
        np.testing.assert_allclose(common[j], beta * dx, rtol=1e-8)
        np.testing.assert_allclose(own[:, j], (xi * alpha[groups.own])[:, :kept], rtol=1e-4)
    G = np.zeros((len(X), len(groups.names)))
    for g in range(len(groups.names)):
        G[:, g] = X[:, groups.common == g] @ beta[groups.common == g]
        G[:, g] += (Z[:, groups.own == g] * xi[group][:, groups.own == g]).sum(axis=1)
    left = y - X[:, groups.common < 0] @ beta[groups.common < 0]
    prior, mean = groups.scale**-2.0, np.zeros(len(groups.scale))
    if luck:
        prior[3], mean[3] = 1e8, 1.0
    new = np.linalg.solve((G.T * weight) @ G + np.diag(prior), G.T @ (weight * left) + prior * mean)
    np.testing.assert_allclose(chain.alpha, new, rtol=1e-4)
    squares = [
        sum(beta[groups.common == g] ** 2) + (xi[:, groups.own == g] ** 2).sum()
        for g in range(len(groups.names))
    ]
    members = [sum(groups.common == g) + 4 * sum(groups.own == g) for g in range(len(squares))]
    variance = (4 + np.array(squares)) / (4 + np.array(members))
    if luck:
        variance[3] = 1.0
    np.testing.assert_allclose(chain.tau2, variance, rtol=1e-4)
    np.testing.assert_allclose(chain.spread, np.abs(new) * np.sqrt(variance), rtol=1e-4)
    flat = groups.common < 0
    np.testing.assert_allclose(common[-1], beta * np.where(flat, 1, new[groups.common]), rtol=1e-4)
    np.testing.assert_allclose(own[:, -1], (xi * new[groups.own])[:, :kept], rtol=1e-3, atol=1e-6)


@KINDS
@pytest.mark.parametrize("luck", [False, True])
def test_the_noise_of_a_sweep_has_the_dense_covariance(kind, luck):
    """A unit of noise at a time: squares of what each moves add up to the covariance."""
    make, rows = some_chain(kind, luck, np.random.default_rng(18))
    X, Z, *_, groups = rows
    p, q, r = X.shape[1], Z.shape[1], 7
    base = make(None)
    precision, right, dx = joint(rows, base.alpha, base.tau2)
    covariance, dz = np.linalg.inv(precision), base.alpha[groups.own]
    mean = covariance @ right
    px = np.where(groups.common < 0, 1e-4, 1 / base.tau2[groups.common])

    def drawn(told, count):
        chain = make(told)
        own = np.empty((4, count, q), dtype=np.float32)
        return chain._coefficients(None, own, dx, px)[0], own

    betas, _ = drawn(Told(common=lambda size: np.eye(*size)), p)
    off = betas - mean[:p, None]
    np.testing.assert_allclose(off @ off.T, covariance[:p, :p], rtol=1e-6, atol=1e-9)
    order = iter(range(100))

    def units(size):
        if kind is SummedRows:
            return np.tile(np.eye(size[1], size[2]), (size[0], 1, 1))
        # the prior's noise comes first, one draw a coefficient, then that of the rows
        first = next(order) % 2 == 0
        eye = np.eye(size[2], size[1]).T if first else np.eye(size[1], size[2], -q)
        return np.tile(eye, (size[0], 1, 1))

    count = q if kind is SummedRows else q + r
    still, moved = drawn(Told(), count)[1], drawn(Told(own=units), count)[1]
    for i in range(4):
        at = slice(p + i * q, p + (i + 1) * q)
        inverse = np.linalg.inv(precision[at, at]) * np.outer(dz, dz)
        off = (moved[i] - still[i]).astype(float)
        np.testing.assert_allclose(off.T @ off, inverse, rtol=1e-3, atol=1e-4 * inverse.max())
        np.testing.assert_allclose(still[i][0], mean[at] * dz, rtol=1e-3, atol=1e-5)


@pytest.mark.parametrize(
    ("players", "count", "sweeps", "each"),
    [
        *[(1, 10, 67, 1), (19, 499, 67, 1), (40, 90, 33, 2), (60, 90, 22, 3), (79, 90, 22, 3)],
        *[(80, 90, 16, 4), (200, 90, 16, 10), (5000, 90, 16, 50), (5000, 30, 16, 30)],
        *[(1, 999, 67, 1), (1, 1000, 67, 2), (1, 5000, 67, 2), (60, 1000, 22, 3)],
    ],
)
def test_how_many_sweeps_and_how_many_draws_in_each(players, count, sweeps, each, monkeypatch):
    """Beforehand 67, or fewer by as much as there are draws in one, to a quarter."""
    calls = []

    class Noted:
        def __init__(self, moments, groups, rng, fixed=None):
            self.alpha, self.fixed = np.full(len(groups.names), 9.0), fixed
            calls.append((moments, groups, fixed))

        def sweep(self, shifts, own):
            calls.append((None if shifts is None else shifts[:, 0].tolist(), own.shape[1]))
            own[:] = len(calls)
            self.spread = self.alpha + len(calls)
            return np.full((own.shape[1], 2), len(calls))

    monkeypatch.setattr(draws, "_Chain", Noted)
    empty = np.zeros((players, 1))
    moments = Moments(
        np.eye(2), np.zeros(2), empty, (), np.zeros((2, 1)), np.zeros((players, 1, 1))
    )
    groups = Groups(np.array([-1, 0]), np.array([1]), ["a", "b"], np.ones(2))
    shifts = np.arange(count * 1.0)[:, None]
    found = draw(moments, groups, count, 67, None, shifts, start=np.array([3.0]))
    assert calls[0] == (moments, groups, None)
    before, kept = calls[1 : sweeps + 1], calls[sweeps + 1 :]
    assert before == [([float(k % count)], 1) for k in range(-sweeps, 0)]
    cuts = [list(range(k, min(k + each, count))) for k in range(0, count, each)]
    assert [(given, n) for given, n in kept] == [([float(k) for k in c], len(c)) for c in cuts]
    for at, cut in enumerate(cuts, start=sweeps + 2):
        assert (found.common[cut] == at).all()
        assert (found.own[:, cut] == at).all()
        assert (found.spread[cut] == [3.0 + at, 9.0 + at]).all()
    assert (found.common.shape, found.own.shape) == ((count, 2), (players, count, 1))
    mean = found.mean
    np.testing.assert_allclose(mean[0], found.common.mean(axis=0))
    np.testing.assert_allclose(mean[1], found.own.astype(float).mean(axis=1))


def test_luck_is_a_group_of_its_own_and_known(monkeypatch):
    made = []

    class NotedError(Exception):
        pass

    def noted(moments, groups, rng, fixed=None):
        made.append((moments, groups, fixed))
        raise NotedError

    monkeypatch.setattr(draws, "_Chain", noted)
    X, Z, group, weight, y, groups = many_groups(np.random.default_rng(3))
    m = plain_moments(X, Z, group, weight, y, 5)
    with pytest.raises(NotedError):
        draw(m, groups, 10, 10, None, luck=np.arange(5.0))
    moments, known, fixed = made[0]
    assert (known.names, fixed) == ([*groups.names, "luck"], 3)
    assert known.own.tolist() == [1, 2, 3]
    assert known.scale.tolist() == [0.3, 0.4, 0.2, 1.0]
    np.testing.assert_allclose(moments.zy, m.with_luck(np.arange(5.0)).zy)


@pytest.mark.parametrize("seed", range(4))
def test_a_ratio_of_variances_direction_by_direction(seed):
    """Directions with less than a millionth of the most information tell nothing."""
    rng = np.random.default_rng(seed)
    turn = np.linalg.qr(rng.standard_normal((4, 4)))[0]
    J = rng.standard_normal((4, 6))
    J = J @ J.T
    for least, told in ((1.1e-6, 4), (0.9e-6, 3), (0.0, 3)):
        size = np.array([least, 0.5, 2.0, 1.0]) * np.array([2.0, 1, 1, 1])
        information = turn @ np.diag(size) @ turn.T
        each = [turn[:, k] @ J @ turn[:, k] / size[k] for k in range(4 - told, 4)]
        assert draws.variance_ratio(J, information) == pytest.approx(np.mean(each), rel=1e-6)
