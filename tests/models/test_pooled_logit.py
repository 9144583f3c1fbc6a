from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.optimize import approx_fprime
from scipy.special import expit, gammaln

from sidewall.errors import DataError, NotFittedError, SeparationError
from sidewall.models import PooledLogit
from sidewall.models.pooled_logit import _logistic_start


def simulate(seed=0, n=3000, groups=12):
    rng = np.random.default_rng(seed)
    g = rng.integers(0, groups, n)
    x = np.round(rng.normal(size=n), 1)
    X = pd.DataFrame({"one": 1.0, "x": x, "square": x**2})
    Z = X[["one", "x"]]
    u = rng.normal(0, [0.7, 0.6], (groups, 2))
    eta = 0.2 + 0.5 * x + np.sum(Z.to_numpy() * u[g], axis=1)
    return (rng.random(n) < expit(eta)).astype(float), X, Z, g


@pytest.mark.parametrize("covariance", ["diagonal", "full"])
def test_gradient_is_the_slope_of_the_log_likelihood(covariance):
    y, X, Z, g = simulate()
    fit = PooledLogit(covariance, sd_shape=1.5).fit(y, X, Z, g)
    rng = np.random.default_rng(1)
    at = fit.params_ + rng.normal(0, 0.1, len(fit.params_))
    gradient = fit._evaluate(at)[1]
    step = 1e-5 * np.eye(len(at))
    slopes = [(fit._evaluate(at + s)[0] - fit._evaluate(at - s)[0]) / 2e-5 for s in step]
    np.testing.assert_allclose(gradient, slopes, rtol=1e-4, atol=2e-3)


def test_recovers_what_was_planted():
    y, X, Z, g = simulate(n=60_000, groups=60)
    fit = PooledLogit("full").fit(y, X, Z, g)
    assert fit.converged_
    assert fit.fixed_effects_["x"] == pytest.approx(0.5, abs=4 * fit.summary().loc["x", "se"])
    sd = np.sqrt(np.diag(fit.random_covariance_))
    np.testing.assert_allclose(sd, [0.7, 0.6], atol=0.2)


@pytest.mark.parametrize("often", [1, 20])
def test_without_groups_the_start_is_the_plain_logistic_regression(often):
    """statsmodels, row by row; such rows are not taken for ones without end."""
    y, X, _, _ = simulate(seed=3, n=400)
    trials = np.full(len(y), float(often))
    won = np.random.default_rng(4).binomial(often, expit(X.to_numpy() @ [0.2, 0.5, -0.3]))
    beta, suspect = _logistic_start(X.to_numpy(), won.astype(float), trials)
    plain = sm.GLM(np.column_stack([won, trials - won]), X, family=sm.families.Binomial()).fit()
    np.testing.assert_allclose(beta, plain.params, atol=1e-6)
    assert not suspect
    beta, suspect = _logistic_start(X.to_numpy(), np.where(X["x"] > 0, trials, 0.0), trials)
    assert suspect


def test_counts_and_single_rows_give_the_same_fit():
    y, X, Z, g = simulate()
    rows = PooledLogit().fit(y, X, Z, g)
    table = X.assign(g=g, y=y).groupby(["one", "x", "square", "g"], as_index=False)["y"]
    counts = table.sum().assign(n=table.size()["size"])
    fit = PooledLogit().fit(
        counts["y"],
        counts[["one", "x", "square"]],
        counts[["one", "x"]],
        counts["g"],
        trials=counts["n"],
    )
    assert rows.n_distinct_ == len(counts) < rows.n_rows_ == 3000
    np.testing.assert_allclose(fit.params_, rows.params_, atol=1e-5)


def test_a_fractional_response_counts_like_its_expansion():
    y, X, Z, g = simulate(n=800)
    fraction = PooledLogit().fit(np.where(y > 0, 0.75, 0.25), X, Z, g)
    # a response of 3/4 is three quarters of a success and a quarter of a failure
    weight = np.concatenate([np.where(y > 0, 0.75, 0.25), np.where(y > 0, 0.25, 0.75)])
    won = np.repeat([1.0, 0.0], 800)
    twice = [pd.concat([part, part]) for part in (X, Z)]
    expanded = PooledLogit().fit(won * weight, *twice, np.r_[g, g], trials=weight)
    np.testing.assert_allclose(fraction.params_, expanded.params_, atol=1e-5)


def test_variance_at_zero_is_said():
    rng = np.random.default_rng(5)
    g = np.repeat(np.arange(10), 40)
    # every group has exactly the same number of successes: no spread at all
    y = np.tile(np.r_[np.ones(20), np.zeros(20)], 10)
    fit = PooledLogit().fit(y, np.ones((400, 1)), np.ones((400, 1)), rng.permutation(10)[g])
    assert fit.random_covariance_.iloc[0, 0] == pytest.approx(0.0, abs=1e-4)
    assert any("variance at zero" in line for line in fit.status_)
    # the fixed effect is that of a plain logistic regression
    assert fit.fixed_effects_.iloc[0] == pytest.approx(0.0, abs=1e-6)
    assert fit.summary()["se"].iloc[0] == pytest.approx(np.sqrt(4 / 400), rel=1e-3)


def test_one_group_is_a_plain_logistic_regression_and_says_so():
    sm = pytest.importorskip("statsmodels.api")
    y, X, Z, _ = simulate(n=500)
    fit = PooledLogit().fit(y, X, Z, np.zeros(500))
    plain = sm.GLM(y, X, family=sm.families.Binomial()).fit()
    np.testing.assert_allclose(fit.fixed_effects_, plain.params, atol=1e-5)
    np.testing.assert_allclose(fit.summary()["se"], plain.bse, rtol=1e-3)
    assert fit.loglik_ == pytest.approx(plain.llf, abs=1e-6)
    assert any("one group" in line for line in fit.status_)
    # no spread is looked for, not even one that would be found to be nothing
    assert len(fit.params_) == X.shape[1]


def test_complete_separation_names_the_column():
    y, X, Z, g = simulate(n=300)
    X = X.assign(tells=np.where(y > 0, 1.0, -1.0))
    with pytest.raises(SeparationError, match="tells"):
        PooledLogit().fit(y, X, Z, g)


def test_chances_next_to_certain_are_no_separation():
    """Far from the middle the results are all alike, and near it they overlap."""
    rng = np.random.default_rng(31)
    x, g = np.linspace(-14.0, 14.0, 900), np.arange(900) % 6
    y = (rng.random(900) < expit(2.0 * x)).astype(float)
    X = pd.DataFrame({"one": 1.0, "x": x})
    fit = PooledLogit().fit(y, X, np.ones((900, 1)), g)
    assert np.abs(X @ fit.fixed_effects_).max() > 14.0
    plain = sm.GLM(y, X, family=sm.families.Binomial()).fit()
    assert fit.fixed_effects_["x"] == pytest.approx(plain.params["x"], rel=0.25)


def test_quasi_complete_separation_is_found():
    y, X, Z, g = simulate(n=300)
    X = X.assign(rare=((y > 0) & (X["x"] > 1.5)).astype(float))
    with pytest.raises(SeparationError, match="rare"):
        PooledLogit().fit(y, X, Z, g)


def test_all_successes_are_separation_too():
    with pytest.raises(SeparationError):
        PooledLogit().fit(np.ones(50), np.ones(50), np.ones(50), np.arange(50) % 5)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"y": np.full(300, np.nan)}, "missing"),
        ({"y": np.full(300, 2.0)}, "between 0 and its trials"),
        ({"groups": [None] * 300}, "groups"),
        ({"y": np.zeros(0), "X": np.zeros((0, 1)), "Z": np.zeros((0, 1)), "groups": []}, "no rows"),
        ({"y": np.zeros(299)}, "299"),
    ],
)
def test_bad_input_is_named(change, message):
    y, X, Z, g = simulate(n=300)
    with pytest.raises(DataError, match=message):
        PooledLogit().fit(**({"y": y, "X": X, "Z": Z, "groups": g} | change))


def test_dependent_columns_are_named():
    y, X, Z, g = simulate(n=300)
    with pytest.raises(DataError, match="depend"):
        PooledLogit().fit(y, X.assign(twice=2 * X["x"]), Z, g)


def test_results_before_fit():
    with pytest.raises((NotFittedError, AttributeError)):
        PooledLogit().fixed_covariance_  # noqa: B018


def test_constructor_only_stores():
    fit = PooledLogit(covariance="full", sd_shape=2.0, max_iter=7, tol=1e-3)
    assert vars(fit) == {"covariance": "full", "sd_shape": 2.0, "max_iter": 7, "tol": 1e-3}


def test_groups_that_only_win_or_only_lose_are_refused():
    g = np.repeat(np.arange(6), 30)
    y = (g % 2).astype(float)
    with pytest.raises(SeparationError, match="every group has successes only"):
        PooledLogit().fit(y, np.ones(180), np.ones(180), g)


# -- the whole fit, by a search for each group's mode ------------------------------------------


def rough_rows(seed):
    """Counts of six groups, one of a single row, with rows alike and a column of nothing much."""
    rng = np.random.default_rng(seed)
    group = np.array([*np.repeat(list("fbdca"), 14), "e"])
    x = rng.choice([-1.0, 0.0, 1.0], len(group))
    X = pd.DataFrame({"level": 1.0, "x": x, "w": rng.integers(0, 2, len(group)) * 2.0})
    Z = X[["level", "x"]]
    own = dict(zip("abcdef", rng.normal(0, 0.9, (6, 2)), strict=True))
    eta = 0.3 + 0.5 * x + sum(Z.iloc[:, k] * [own[g][k] for g in group] for k in (0, 1))
    n = rng.integers(1, 9, len(group)).astype(float)
    y = rng.binomial(n.astype(int), 1 / (1 + np.exp(-eta))).astype(float)
    return y, X, Z, group, n


def laplace(params, rows, free, sd_shape=1.0):
    """Log likelihood by Laplace, each group's mode by a search; modes in the effects' scale."""
    y, X, Z, group, n = rows
    p = X.shape[1]
    L = np.zeros((2, 2))
    L[free] = params[p:]
    total, modes = 0.0, []
    for name in sorted(set(group)):
        mine = group == name
        fixed, z = X.to_numpy()[mine] @ params[:p], Z.to_numpy()[mine] @ L

        def off(v, fixed=fixed, z=z, mine=mine):
            eta = fixed + z @ v
            chances = y[mine] * eta - n[mine] * np.log1p(np.exp(eta))
            return v @ v / 2 - chances.sum()

        at = np.zeros(2)
        for _ in range(50):
            mu = 1 / (1 + np.exp(-(fixed + z @ at)))
            H = np.eye(2) + (z.T * (n[mine] * mu * (1 - mu))) @ z
            step = np.linalg.solve(H, at - z.T @ (y[mine] - n[mine] * mu))
            at = at - step
            if np.abs(step).max() < 1e-13:
                break
        total -= off(at) + np.log(np.linalg.det(H)) / 2
        modes.append(L @ at)
    diagonal = [params[p + k] for k in range(len(free[0])) if free[0][k] == free[1][k]]
    return total + (sd_shape - 1) * sum(np.log(np.abs(diagonal))), np.array(modes)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("covariance", "sd_shape"), [("diagonal", 1.0), ("full", 2.0)])
def test_the_whole_fit_by_a_plain_likelihood(seed, covariance, sd_shape):
    """Its top, its curvature there, modes, spreads and the table of fixed effects."""
    rows = rough_rows(seed)
    y, X, Z, group, n = rows
    ours = PooledLogit(covariance, sd_shape, tol=1e-7).fit(y, X, Z, group, n)
    free = np.diag_indices(2) if covariance == "diagonal" else np.tril_indices(2)

    def top(params):
        return laplace(params, rows, free, sd_shape)[0]

    found = ours.params_
    value, modes = laplace(found, rows, free)
    coefficients = sum(
        gammaln(a + 1) - gammaln(b + 1) - gammaln(a - b + 1) for a, b in zip(n, y, strict=True)
    )
    # a mode is known to the root of 1e-11, the gain at which its search ends
    assert ours.loglik_ == pytest.approx(value + coefficients, abs=1e-5)
    slope = approx_fprime(found, top, 1e-6)
    np.testing.assert_allclose(slope, 0.0, atol=2e-3)
    np.testing.assert_allclose(ours.random_effects_, modes, atol=1e-5)
    assert ours.random_effects_.index.tolist() == list("abcdef")
    assert [*ours.random_effects_] == ["level", "x"]
    L = np.zeros((2, 2))
    L[free] = found[3:]
    np.testing.assert_allclose(ours.random_covariance_, L @ L.T, atol=1e-12)
    assert ours.fixed_effects_.to_dict() == dict(zip(X.columns, found[:3], strict=True))
    H, step = np.zeros((len(found), len(found))), 1e-4
    for i, j in combinations_with_replacement(range(len(found)), 2):
        ends = [
            s * t * top(found + step * (s * np.eye(len(found))[i] + t * np.eye(len(found))[j]))
            for s in (1, -1)
            for t in (1, -1)
        ]
        H[i, j] = H[j, i] = -sum(ends) / (4 * step**2)
    expected = np.linalg.inv(H)[:3, :3]
    np.testing.assert_allclose(ours.fixed_covariance_, expected, rtol=2e-3, atol=1e-5)
    assert [*ours.fixed_covariance_] == [*ours.fixed_covariance_.index] == ["level", "x", "w"]
    table, se = ours.summary(), np.sqrt(np.diag(ours.fixed_covariance_))
    z = 1.959964
    plain = pd.DataFrame({"estimate": found[:3], "se": se}, X.columns)
    plain = plain.assign(estimate_low=found[:3] - z * se, estimate_high=found[:3] + z * se)
    pd.testing.assert_frame_equal(table, plain)
    assert (ours.converged_, ours.status_) == (True, [])
    alike = {(*X.iloc[k], group[k]) for k in range(len(y))}
    assert (ours.n_rows_, ours.n_distinct_) == (len(y), len(alike))


def test_a_search_that_is_stopped_says_so():
    y, X, Z, group, n = rough_rows(5)
    ours = PooledLogit(max_iter=1).fit(y, X, Z, group, n)
    assert (ours.converged_, ours.n_iter_) == (False, 1)
    (said,) = ours.status_
    assert said.startswith("the search stopped early (gradient ")
    # twenty tolerances are too many, and a little less will do
    for gradient, arrived in ((20 * 1e-4, False), (19.99 * 1e-4, True)):
        ours.status_ = []
        ours._finish(ours._likelihood.rows, ours.params_, gradient)
        assert ours.converged_ == arrived == (ours.status_ == [])


def test_columns_without_names_are_numbered():
    y, X, Z, group, n = rough_rows(6)
    ours = PooledLogit().fit(y, X.to_numpy(), Z["level"].to_numpy(), group, n)
    assert ours.fixed_names_ == ["x0", "x1", "x2"]
    assert ours.random_names_ == ["z0"]
    fewer = PooledLogit().fit(y / n, X.to_numpy(), Z["level"].to_numpy(), group, np.ones(len(y)))
    assert fewer.loglik_ <= 0  # fractions have no binomial coefficient


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"y": -0.1}, "between 0 and its trials"),
        ({"y": 1.1}, "between 0 and its trials"),
        ({"n": 0.0}, "trials be above 0"),
        ({"g": None}, "groups holds missing values"),
        ({"x": np.nan}, "X holds missing or infinite values"),
        ({"x": np.inf}, "X holds missing or infinite values"),
    ],
)
def test_one_bad_cell_is_enough(change, message):
    y, X, Z, group, n = rough_rows(7)
    n, group, X = np.ones(len(y)), group.astype(object), X.copy()
    y = (y > 2).astype(float)
    for good in (0.0, 1.0):  # the ends themselves will do
        y[0] = good
        PooledLogit(max_iter=1).fit(y, X, Z, group, n)
    if "y" in change:
        y[3] = change["y"]
    if "n" in change:
        n[3], y[3] = change["n"], 0.0
    if "g" in change:
        group[3] = None
    if "x" in change:
        X.loc[3, "x"] = change["x"]
    with pytest.raises(DataError, match=message):
        PooledLogit().fit(y, X, Z, group, n)
