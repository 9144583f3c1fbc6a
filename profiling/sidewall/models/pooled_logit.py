"""Logistic regression with partial pooling: random effects by group, the general fit.

The Laplace approximation of the likelihood (Breslow & Clayton 1993, JASA 88:9-25) with the
exact derivative of its log determinant, the dependence of the mode on the parameters
included (Kristensen et al. 2016, Journal of Statistical Software 70(5), section 2). Effects
are written as ``L v``, which keeps everything smooth where a variance reaches zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sidewall.arguments import Array, Bools, Floats, Ints, check_count, check_number, check_scale
from sidewall.errors import DataError, SeparationError
from sidewall.estimator import Estimator
from sidewall.models.draws import one_thread

#: Mean p(1 - p) below which every row is as good as certain.
_LEAST_VARIANCE: Final = 1e-5
#: Linear predictors beyond this only arise when an estimate runs off (p < 1e-6).
_SUSPECT: Final = 14.0
#: Newton steps to the mode, and the gain at which they stop.
_MAX_INNER: Final = 60
_DECREMENT: Final = 1e-11
#: Steps of the second derivatives, in standard errors.
_STEP: Final = 2e-3
#: Largest gradient that counts as arrived, in units of `tol`.
_ARRIVED: Final = 20.0


class PooledLogit(Estimator):
    r"""Logistic regression whose coefficients vary by group around a common value.

    For a row of group g, ``logit P(success) = x'b + z'u_g`` with ``u_g ~ N(0, D)``: every
    group has coefficients of its own, drawn together the more the less the group's own
    rows say. `D` and `b` maximise the Laplace approximation of the likelihood, with the
    random effects integrated out (not by the joint mode, which would shrink `D`).

    Parameters
    ----------
    covariance : {"diagonal", "full"}, default "diagonal"
        Shape of `D`.
    sd_shape : float, default 1.0
        1 gives plain maximum likelihood. 2 multiplies the likelihood by the standard
        deviations, which keeps them off zero when groups are few (the gamma(2, 0) penalty
        of Chung, Rabe-Hesketh, Dorie, Gelman & Liu 2013, Psychometrika 78:685-709).
    max_iter : int, default 200
        Iterations of the quasi-Newton search.
    tol : float, default 1e-4
        Largest gradient, in units of one standard error, at which the search stops.

    Attributes
    ----------
    fixed_effects_ : Series, length p
    fixed_covariance_ : DataFrame, p x p
        From the inverse Hessian of the log likelihood in all parameters together, so it
        carries the uncertainty of the variance components.
    random_effects_ : DataFrame, groups x q
        Conditional modes.
    random_covariance_ : DataFrame, q x q
        The estimate of `D`.
    loglik_ : float
        Log likelihood, with the binomial coefficients when the counts are whole.
    converged_ : bool
    status_ : list of str
        Plain statements about the fit; empty when there is nothing to say.
    n_rows_, n_distinct_ : int
        Rows given, and distinct rows after collapsing to counts.

    See Also
    --------
    TightnessModel

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> player = np.repeat(np.arange(20), 50)
    >>> X = np.ones((1000, 1))
    >>> p = 1 / (1 + np.exp(-rng.normal(0, 0.8, 20)[player]))
    >>> fit = sw.PooledLogit().fit(rng.random(1000) < p, X, X, player)
    >>> fit.converged_
    True
    """

    _asks, _result = "y, X, Z, groups", "params_"

    def __init__(
        self,
        covariance: Literal["diagonal", "full"] = "diagonal",
        sd_shape: float = 1.0,
        max_iter: int = 200,
        tol: float = 1e-4,
    ) -> None:
        check_number(sd_shape, "sd_shape", least=1.0)
        check_count(max_iter, "max_iter", 1)
        check_scale(tol, "tol")
        self.covariance = covariance
        self.sd_shape = sd_shape
        self.max_iter = max_iter
        self.tol = tol

    def fit(
        self,
        y: ArrayLike,
        X: ArrayLike | pd.DataFrame,
        Z: ArrayLike | pd.DataFrame,
        groups: ArrayLike,
        trials: ArrayLike | None = None,
    ) -> PooledLogit:
        """Estimate all parameters.

        Parameters
        ----------
        y : array-like, shape (n,)
            Successes: 0 or 1, a count out of `trials`, or a fraction of it.
        X : array-like or DataFrame, shape (n, p)
            Fixed effects, the intercept among them.
        Z : array-like or DataFrame, shape (n, q)
            Columns whose coefficients vary by group.
        groups : array-like, shape (n,)
            Group of each row.
        trials : array-like, shape (n,), optional
            Number of trials behind each row; 1 by default.

        Returns
        -------
        PooledLogit
            The fitted object itself.

        Raises
        ------
        DataError
            On missing values, impossible counts or columns that depend on one another.
        SeparationError
            When some column, or a mixture of columns, tells successes from failures
            without fault, so that its coefficient has no finite estimate.
        """
        if self.covariance not in ("diagonal", "full"):
            raise DataError(f"covariance is {self.covariance!r}; it must be 'diagonal' or 'full'")
        self.status_: list[str] = []
        self.fixed_names_, Xa = _named(X, "x")
        self.random_names_, Za = _named(Z, "z")
        ya = np.asarray(y, dtype=float)
        n = np.ones_like(ya) if trials is None else np.asarray(trials, dtype=float)
        group, self.groups_ = pd.factorize(pd.Series(groups), sort=True)
        _check(ya, Xa, Za, n, group)
        _check_rank(Xa.T @ Xa, self.fixed_names_)
        rows = _Rows.of(ya, Xa, Za, n, group)
        self.n_rows_, self.n_distinct_ = len(ya), len(rows.won)
        self._constant = _log_choose(ya, n)
        self._free = self._free_entries(rows)
        with one_thread():
            self._finish(rows, *self._search(rows))
        return self

    def _free_entries(self, rows: _Rows) -> tuple[Array, ...]:
        """Rows and columns of L that are estimated."""
        if len(rows.start) == 2:
            self.status_.append("one group: random effects cannot be told from the fixed ones")
            return np.diag_indices(0)
        q = rows.Z.shape[1]
        return np.diag_indices(q) if self.covariance == "diagonal" else np.tril_indices(q)

    def _search(self, rows: _Rows) -> tuple[Floats, float]:
        """Quasi-Newton steps: parameters (fixed effects, free entries of L), largest gradient.

        They start at the fixed effects as without any spread, and usual standard deviations. The
        coordinates, and so the gradient, are in units of about one standard error.
        """
        from scipy.optimize import minimize  # noqa: PLC0415 - slow to load

        of_kind = rows.by_kind(rows.won), rows.by_kind(rows.trials)
        beta, suspect = _logistic_start(rows.X, *of_kind)
        if suspect:
            self._refuse_separation(rows.X, *of_kind)
        _refuse_pure(rows)
        groups, p = len(rows.start) - 1, len(beta)
        sd = self._usual_sd(rows)
        mu = rows.won.sum() / rows.trials.sum()
        info = rows.X.T @ (rows.X * (of_kind[1] * mu * (1 - mu))[:, None])
        unscale = np.diag(np.append(np.zeros(p), sd / np.sqrt(2 * groups)))
        unscale[:p, :p] = 2.0 * np.linalg.cholesky(np.linalg.inv(info + 1e-9 * np.eye(p)))
        self._likelihood, self._unscale = _Likelihood(rows), unscale
        start = np.append(beta, np.where(self._is_sd, sd, 0.0))

        def objective(step: Floats) -> tuple[float, Floats]:
            value, gradient = self._evaluate(start + unscale @ step)
            return -value, -(unscale.T @ gradient)

        options = {"gtol": self.tol, "maxiter": self.max_iter}
        found = minimize(objective, np.zeros(len(start)), jac=True, method="BFGS", options=options)
        self.n_iter_ = int(found.nit)
        return start + unscale @ found.x, float(np.abs(found.jac).max())

    def _usual_sd(self, rows: _Rows) -> Floats:
        """0.4 in log odds, in units of each free entry's column."""
        size = np.sqrt(rows.mean_square(rows.Z))
        size[size == 0] = 1.0
        return np.asarray(0.4 / size[self._free[0]])

    @property
    def _is_sd(self) -> Bools:
        """Which free entries of L lie on its diagonal."""
        return np.asarray(self._free[0] == self._free[1])

    def _refuse_separation(self, X: Floats, won: Floats, trials: Floats) -> None:
        columns = _separating_columns(X, won, trials)
        if len(columns):
            names = ", ".join(str(self.fixed_names_[k]) for k in columns)
            raise SeparationError(
                f"successes and failures are told apart without fault by: {names}. The "
                "estimate would be infinite; merge or leave out these columns, or add data"
            )

    def _unpack(self, params: Floats) -> tuple[Floats, Floats]:
        p, q = len(self.fixed_names_), len(self.random_names_)
        L = np.zeros((q, q))
        L[self._free] = params[p:]
        return params[:p], L

    def _evaluate(self, params: Floats) -> tuple[float, Floats]:
        """Penalised log likelihood and its gradient."""
        value, d_beta, d_L = self._likelihood.evaluate(*self._unpack(params))
        gradient = np.concatenate([d_beta, d_L[self._free]])
        if self.sd_shape != 1.0:
            is_sd = np.append(np.zeros(len(d_beta), bool), self._is_sd)
            value += (self.sd_shape - 1.0) * float(np.log(np.abs(params[is_sd])).sum())
            gradient[is_sd] += (self.sd_shape - 1.0) / params[is_sd]
        return value, gradient

    def _finish(self, rows: _Rows, params: Floats, gradient: float) -> None:
        beta, L = self._unpack(params)
        mode = self._likelihood.mode(beta, L)
        if mode.weight.sum() < _LEAST_VARIANCE * rows.trials.sum():
            raise SeparationError(
                "successes and failures are told apart without fault by columns and groups "
                "together, so that the estimate runs off to infinity; there are too few different "
                "rows for so many groups: add data, or leave out columns or groups"
            )
        self.params_, names, D = params, self.random_names_, L @ L.T
        self.converged_ = gradient < _ARRIVED * self.tol
        if not self.converged_:
            self.status_.append(
                f"the search stopped early (gradient {gradient:.2g}); raise max_iter"
            )
        self.loglik_ = float(mode.loglik + self._constant)
        self.fixed_effects_ = pd.Series(beta, self.fixed_names_, name="estimate")
        self.random_covariance_ = pd.DataFrame(D, names, names)
        self.random_effects_ = pd.DataFrame(mode.v @ L.T, self.groups_, names)
        size = np.sqrt(np.diag(D) * rows.mean_square(rows.Z))
        at_zero = [str(name) for name, s in zip(names, size, strict=True) if s < 1e-3]
        if at_zero and len(rows.start) > 2:
            self.status_.append(f"variance at zero: {', '.join(at_zero)}")
        self._covariance: Floats | None = None

    def _information(self) -> Floats:
        """Inverse of the negative Hessian of the log likelihood in (b, L)."""
        self.need_fit()
        if self._covariance is None:
            with one_thread():
                self._covariance = self._inverse_hessian()
        return self._covariance

    def _curvature(self, params: Floats) -> Floats:
        """Negative Hessian at parameters that were found, in the coordinates of the search."""
        kept, m = self._likelihood.v, len(params)
        H = np.empty((m, m))
        for k in range(m):
            ends = []
            for sign in (_STEP, -_STEP):
                self._likelihood.v = kept
                ends.append(self._evaluate(params + sign * self._unscale[:, k])[1])
            H[k] = -(ends[0] - ends[1]) / (2 * _STEP) @ self._unscale
        self._likelihood.v = kept
        return 0.5 * (H + H.T)

    def _inverse_hessian(self) -> Floats:
        values, vectors = np.linalg.eigh(self._curvature(self.params_))
        # a direction without curvature (a variance at zero) carries no information
        told = values > 1e-6 * values.max()
        inverse = np.where(told, 1 / np.where(told, values, 1.0), 0.0)
        return np.asarray(self._unscale @ (vectors * inverse) @ vectors.T @ self._unscale.T)

    @property
    def fixed_covariance_(self) -> pd.DataFrame:
        """Covariance of the fixed effects, p x p."""
        p = len(self.fixed_names_)
        return pd.DataFrame(self._information()[:p, :p], self.fixed_names_, self.fixed_names_)

    def summary(self) -> pd.DataFrame:
        """Fixed effects with standard errors and 95% Wald limits, one row a column of X."""
        se, found = np.sqrt(np.diag(self.fixed_covariance_)), self.fixed_effects_
        ends = {"estimate_low": found - 1.959964 * se, "estimate_high": found + 1.959964 * se}
        return pd.DataFrame({"estimate": found, "se": se, **ends})


@dataclass(frozen=True)
class _Rows:
    """Distinct rows sorted by group; their columns X, Z are held once a kind of row.

    `kind`, `won` and `trials`, which need not be whole, are (n,); `start`, (groups + 1,), is where
    each group begins, and the end.
    """

    X: Floats
    Z: Floats
    kind: Ints
    start: Ints
    won: Floats
    trials: Floats

    @classmethod
    def of(cls, y: Floats, X: Floats, Z: Floats, n: Floats, group: Ints) -> _Rows:
        """Collapse equal rows."""
        kind = np.zeros(len(y), dtype=np.int64)
        for column in (*X.T, *Z.T):  # hashing column by column beats sorting whole rows
            values, uniques = pd.factorize(column)
            kind, _ = pd.factorize(kind * np.int64(len(uniques)) + values)
        first = np.unique(kind, return_index=True)[1]
        found, place = np.unique(group * np.int64(len(first)) + kind, return_inverse=True)
        who, which = np.divmod(found, len(first))
        won, trials = (np.bincount(place, part).astype(float) for part in (y, n))
        # kinds come in the order of the rows, so that these read their columns front to back
        kind, first = pd.factorize(first[which])
        start = np.searchsorted(who, np.arange(who[-1] + 2))
        return cls(X[first], Z[first], kind, start, won, trials)

    def by_kind(self, values: Floats) -> Floats:
        """Sums of a value of every row, shape (kinds,)."""
        return np.bincount(self.kind, values, len(self.X)).astype(float)

    def mean_square(self, columns: Floats) -> Floats:
        """Mean square of columns over the distinct rows."""
        n = np.bincount(self.kind, minlength=len(columns))
        return np.asarray(n @ columns**2) / len(self.kind)


@dataclass
class _Mode:
    """The random effects' mode at given parameters, and what the gradient needs there."""

    loglik: float
    v: Floats  # (groups, q), standardised effects
    mu: Floats  # (n,)
    weight: Floats  # (n,)
    squares: Floats  # (groups, q, q), weighed products of the columns of Z
    inverse: Floats  # (groups, q, q), inverse of each group's penalised information


class _Likelihood:
    """Laplace log likelihood as a function of ``(b, L)`` for one set of rows.

    Group by group, whose rows fit the processor's own memory, and without a copy of them.
    """

    def __init__(self, rows: _Rows) -> None:
        self.rows, self.v = rows, np.zeros((len(rows.start) - 1, rows.Z.shape[1]))
        self._parts = [slice(low, high) for low, high in pairwise(rows.start)]
        Z = rows.Z[rows.kind]
        self._Z = [Z[part] for part in self._parts]

    def mode(self, beta: Floats, L: Floats) -> _Mode:
        """Find the mode of the random effects by Newton steps, from the last mode found."""
        rows, v = self.rows, self.v
        fixed = (rows.X @ beta)[rows.kind]
        value, mu, variance = self._penalised(fixed, L, v)
        for _ in range(_MAX_INNER):
            weight = rows.trials * variance
            squares = np.stack(
                [(Z * weight[g, None]).T @ Z for Z, g in zip(self._Z, self._parts, strict=True)]
            )
            S = np.eye(L.shape[1]) + L.T @ squares @ L
            slope = self._by_group(rows.won - rows.trials * mu) @ L - v
            inverse: Floats = np.linalg.inv(S).astype(float, copy=False)
            step = np.einsum("gab,gb->ga", inverse, slope)
            if (step * slope).sum() < _DECREMENT * max(1.0, abs(value) * 1e-4):
                break
            scale = 1.0
            while scale > 1e-6:
                trial, *found = self._penalised(fixed, L, v + scale * step)
                if trial >= value:
                    break
                scale *= 0.5
            v, value, (mu, variance) = v + scale * step, trial, found
        self.v = v
        log_det = float(np.linalg.slogdet(S)[1].sum())
        return _Mode(value - 0.5 * log_det, v, mu, weight, squares, inverse)

    def _penalised(self, fixed: Floats, L: Floats, v: Floats) -> tuple[float, Floats, Floats]:
        """Joint log density of rows and effects; chances, and p (1 - p), without overflow."""
        rows = self.rows
        eta = fixed + self._by_row(v @ L.T)
        z = np.exp(-np.abs(eta))
        one = 1.0 / (1.0 + z)
        loglik = rows.won @ eta - rows.trials @ (np.maximum(eta, 0.0) - np.log(one))
        return float(loglik - 0.5 * (v * v).sum()), np.where(eta >= 0.0, one, z * one), z * one**2

    def _by_row(self, u: Floats) -> Floats:
        """Rows of Z times the effects of their group, (n,)."""
        return np.concatenate([Z @ own for Z, own in zip(self._Z, u, strict=True)])

    def _by_group(self, values: Floats) -> Floats:
        """Sums over each group of rows of Z times values, (groups, q)."""
        return np.stack([values[g] @ Z for Z, g in zip(self._Z, self._parts, strict=True)])

    def evaluate(self, beta: Floats, L: Floats) -> tuple[float, Floats, Floats]:
        """Log likelihood with its derivatives in ``b`` and in every entry of ``L``."""
        rows, mode = self.rows, self.mode(beta, L)
        residual, w, v = rows.won - rows.trials * mode.mu, mode.weight, mode.v
        spread = L @ mode.inverse @ L.T
        each = [np.einsum("nq,nq->n", Z @ B, Z) for Z, B in zip(self._Z, spread, strict=True)]
        t = np.concatenate(each) * w * (1.0 - 2.0 * mode.mu)
        c = np.einsum("gab,gb->ga", mode.inverse, self._by_group(t) @ L)
        shifted = residual - 0.5 * t + 0.5 * w * self._by_row(c @ L.T)
        d_L = self._by_group(shifted).T @ v - 0.5 * self._by_group(residual).T @ c
        d_L -= (mode.squares @ L @ mode.inverse).sum(axis=0)
        return mode.loglik, rows.X.T @ rows.by_kind(shifted), d_L


def _refuse_pure(rows: _Rows) -> None:
    """Refuse data in which every group has successes only or failures only.

    The spread between groups would then grow without end.
    """
    won, n = (np.add.reduceat(part, rows.start[:-1]) for part in (rows.won, rows.trials))
    if len(won) > 1 and ((won <= 0) | (won >= n * (1.0 - 1e-12))).all():
        raise SeparationError(
            "every group has successes only or failures only, so that nothing varies within "
            "one; add data in which some group has both, or leave the groups out"
        )


def _logistic_start(X: Floats, successes: Floats, trials: Floats) -> tuple[Floats, bool]:
    """Plain logistic regression, (p,), and whether it ran off or stalled, as under separation."""
    beta = np.zeros(X.shape[1])
    for _ in range(30):
        eta = np.clip(X @ beta, -30, 30)
        mu = 1.0 / (1.0 + np.exp(-eta))
        info = X.T @ (X * (trials * mu * (1 - mu))[:, None])
        ridge = 1e-10 * np.trace(info) / len(info)
        step = np.linalg.solve(info + ridge * np.eye(len(info)), X.T @ (successes - trials * mu))
        beta = beta + step
        if np.abs(X @ step).max() < 1e-6:
            return beta, bool(np.abs(X @ beta).max() > _SUSPECT)
    return beta, True


def _separating_columns(X: Floats, successes: Floats, trials: Floats) -> NDArray[np.intp]:
    """Find columns of a direction along which the likelihood rises for ever.

    The estimate is infinite when some direction d has ``x'd >= 0`` for every success,
    ``x'd <= 0`` for every failure, and not all zero (Albert & Anderson 1984, Biometrika
    71:1-10). That is a linear programme (Konis 2007, DPhil thesis, University of Oxford).
    """
    from scipy.optimize import linprog  # noqa: PLC0415 - seldom needed, slow to load

    scale = np.abs(X).max(axis=0)
    scale[scale == 0] = 1.0
    Xs = X / scale
    won, lost = successes > 0, successes < trials
    signed = np.unique(np.concatenate([Xs[won], -Xs[lost]]), axis=0)
    result = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    if result.x is None or signed.sum(axis=0) @ result.x < 1e-7:
        return np.empty(0, dtype=np.intp)
    return np.flatnonzero(np.abs(result.x) > 1e-7)


def _named(table: ArrayLike | pd.DataFrame, letter: str) -> tuple[list, Floats]:
    values = np.asarray(table, dtype=float)
    values = values[:, None] if values.ndim == 1 else values
    if isinstance(table, pd.DataFrame):
        return list(table.columns), values
    return [f"{letter}{k}" for k in range(values.shape[1])], values


def _check(y: Floats, X: Floats, Z: Floats, n: Floats, group: Ints) -> None:
    for name, part in {"X": X, "Z": Z, "y": y, "trials": n, "groups": group}.items():
        if len(part) != len(y):
            raise DataError(f"{name} has {len(part)} rows where y has {len(y)}")
        if not np.isfinite(part).all():
            raise DataError(f"{name} holds missing or infinite values; drop or fill them")
    if len(y) == 0:
        raise DataError("there are no rows to fit")
    if (group < 0).any():
        raise DataError("groups holds missing values; name the group of every row")
    if (y < 0).any() or (y > n).any() or (n <= 0).any():
        raise DataError("every y must lie between 0 and its trials, and trials be above 0")


def _check_rank(gram: Floats, names: list) -> None:
    """Refuse columns that others explain, from the QR of their cross products, (p, p)."""
    from scipy.linalg import qr  # noqa: PLC0415

    size = np.sqrt(np.diag(gram))
    size[size == 0] = 1.0
    gram = gram / np.outer(size, size)
    _, R, order = qr(gram, pivoting=True)
    spare = order[np.abs(np.diag(R)) < 1e-10]
    if len(spare):
        raise DataError(
            "columns of X depend on the others and cannot be estimated beside them: "
            f"{', '.join(str(names[k]) for k in sorted(spare))}; leave them out"
        )


def _log_choose(y: Floats, n: Floats) -> float:
    """Sum of the log binomial coefficients; zero for fractional counts."""
    from scipy.special import gammaln  # noqa: PLC0415

    if (n == 1).all() or (y != np.round(y)).any() or (n != np.round(n)).any():
        return 0.0
    return float(np.sum(gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)))
