"""Logistic regression with partial pooling: random effects by group."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sidewall.arguments import check_count, check_number, check_scale
from sidewall.errors import DataError, NotFittedError, SeparationError
from sidewall.models.draws import one_thread
from sidewall.models.kinds import Rows
from sidewall.models.pooled_rows import Prepared, logistic_start, prepare, separating_columns
from sidewall.models.search import Search, Shape

Array = NDArray[np.float64]


#: Mean p(1 - p) below which every row is as good as certain.
_LEAST_VARIANCE = 1e-5


class PooledLogit:
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
    subgroup_sd_ : float
        Standard deviation of the intercepts of subgroups; NaN without subgroups.
    subgroup_effects_ : Series
        Conditional modes of those intercepts, by (group, subgroup).
    loglik_ : float
        Log likelihood, with the binomial coefficients when the counts are whole.
    converged_ : bool
    status_ : list of str
        Plain statements about the fit; empty when there is nothing to say.
    n_rows_, n_distinct_ : int
        Rows given, and distinct rows after collapsing to counts.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(3)
    >>> player = np.repeat(np.arange(20), 50)
    >>> X = np.ones((1000, 1))
    >>> p = 1 / (1 + np.exp(-rng.normal(0, 0.8, 20)[player]))
    >>> fit = PooledLogit().fit(rng.random(1000) < p, X, X, player)
    >>> fit.converged_
    True
    """

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
        subgroups: ArrayLike | None = None,
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
        subgroups : array-like, shape (n,), optional
            Subgroup of each row within its group, such as the match; each gets an
            intercept of its own.

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
        return self.fit_rows(prepare(y, X, Z, groups, trials, subgroups))

    def fit_rows(self, data: Prepared) -> PooledLogit:
        """Estimate all parameters from rows that are collapsed to counts already."""
        if self.covariance not in ("diagonal", "full"):
            raise DataError(f"covariance is {self.covariance!r}; it must be 'diagonal' or 'full'")
        self.status_: list[str] = []
        rows = data.rows
        self.fixed_names_, self.random_names_ = data.fixed_names, data.random_names
        self.groups_, self._subgroup_index = data.groups, data.subgroup_index
        self.n_rows_, self.n_distinct_ = data.n_rows, rows.layout.n_rows
        self._constant = data.log_choose
        won, trials = (rows.by_cell(part) for part in (rows.successes, rows.trials))
        of_kind = rows.by_kind(won), rows.by_kind(trials)
        start, suspect = logistic_start(rows.X, *of_kind)
        if suspect:
            self._refuse_separation(rows.X, *of_kind)
        at = rows.layout
        _refuse_pure(won, trials, at.group_start, "group")
        if at.subgroup_start is not None:
            _refuse_pure(rows.successes, rows.trials, at.subgroup_start, "subgroup")
        self._search(rows, start)
        return self

    def _refuse_separation(self, X: Array, won: Array, trials: Array) -> None:
        columns = separating_columns(X, won, trials)
        if len(columns):
            names = ", ".join(str(self.fixed_names_[k]) for k in columns)
            raise SeparationError(
                f"successes and failures are told apart without fault by: {names}. The "
                "estimate would be infinite; merge or leave out these columns, or add data"
            )

    def _search(self, rows: Rows, beta: Array) -> None:
        self._rows_ = rows
        p, q = rows.X.shape[1], rows.Z.shape[1]
        pool = rows.n_groups > 1
        if not pool:
            self.status_.append("one group: random effects cannot be told from the fixed ones")
        rows_at, columns_at = np.tril_indices(q if pool else 0)
        if self.covariance == "diagonal":
            rows_at, columns_at = np.diag_indices(q if pool else 0)
        nested = rows.n_subgroups > rows.n_groups
        if rows.n_subgroups and not nested:
            self.status_.append("one subgroup a group: its intercept is part of the group's")
        shape = Shape(p, q, (rows_at, columns_at), nested)
        self._found = Search(rows, shape, self.sd_shape, self.max_iter, self.tol)
        with one_thread():
            params, gradient, self.n_iter_ = self._found.run(beta)
            self._finish(params, gradient)

    def _unpack(self, params: Array) -> tuple[Array, Array, float]:
        return self._found.shape.unpack(params)

    def _evaluate(self, params: Array) -> tuple[float, Array]:
        """Penalised log likelihood and its gradient."""
        return self._found.evaluate(params)

    # -- the results ------------------------------------------------------------------

    def _finish(self, params: Array, gradient_size: float) -> None:
        rows = self._rows_
        beta, L, sigma = self._unpack(params)
        mode = self._found.blocks.mode(beta, L, sigma)
        if mode.weight.sum() < _LEAST_VARIANCE * rows.trials.sum():
            raise SeparationError(
                "successes and failures are told apart without fault by columns and groups "
                "together, so that the estimate runs off to infinity; there are too few different "
                "rows for so many groups: add data, or leave out columns or groups"
            )
        flip = np.sign(np.diag(L)) + (np.diag(L) == 0)
        self.params_, self._mode = params, mode
        self.converged_ = gradient_size < 20 * self.tol
        if not self.converged_:
            self.status_.append(
                f"the search stopped early (gradient {gradient_size:.2g}); raise max_iter"
            )
        self.loglik_ = float(mode.loglik + self._constant)
        names = self.random_names_
        self.fixed_effects_ = pd.Series(beta, self.fixed_names_, name="estimate")
        D = L @ L.T
        self.random_covariance_ = pd.DataFrame(D, names, names)
        self.random_effects_ = pd.DataFrame(mode.v @ L.T, self.groups_, names)
        self.subgroup_sd_ = abs(sigma) if rows.n_subgroups else float("nan")
        if self._subgroup_index is not None:
            effects = sigma * mode.s
            self.subgroup_effects_ = pd.Series(effects, self._subgroup_index, name="effect")
        self.chol_ = L * flip
        size = np.sqrt(np.diag(D) * rows.mean_square(rows.Z))
        at_zero = [str(name) for name, s in zip(names, size, strict=True) if s < 1e-3]
        if at_zero and rows.n_groups > 1:
            self.status_.append(f"variance at zero: {', '.join(at_zero)}")
        self._hessian: Array | None = None

    def _information(self) -> Array:
        """Inverse of the negative Hessian of the log likelihood in (b, L, s)."""
        if not hasattr(self, "params_"):
            raise NotFittedError("call fit before asking for results")
        if self._hessian is None:
            with one_thread():
                self._hessian = self._found.covariance(self.params_)
        return self._hessian

    @property
    def fixed_covariance_(self) -> pd.DataFrame:
        """Covariance of the fixed effects, p x p."""
        p = len(self.fixed_names_)
        return pd.DataFrame(self._information()[:p, :p], self.fixed_names_, self.fixed_names_)

    def summary(self) -> pd.DataFrame:
        """Fixed effects with standard errors and 95% Wald limits, one row a column of X."""
        se = np.sqrt(np.diag(self.fixed_covariance_))
        estimate = self.fixed_effects_
        return pd.DataFrame(
            {
                "estimate": estimate,
                "se": se,
                "low": estimate - 1.959964 * se,
                "high": estimate + 1.959964 * se,
            }
        )


def _refuse_pure(won: Array, trials: Array, start: NDArray[np.intp], level: str) -> None:
    """Refuse data in which every group has successes only or failures only.

    The spread between groups would then grow without end.
    """
    won, n = (np.add.reduceat(part, start) for part in (won, trials))
    if len(start) > 1 and ((won <= 0) | (won >= n * (1.0 - 1e-12))).all():
        raise SeparationError(
            f"every {level} has successes only or failures only, so that nothing varies within "
            f"one; add data in which some {level} has both, or leave the {level}s out"
        )
