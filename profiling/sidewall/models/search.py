"""Find the maximum of a pooled fit's likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidewall.models.blocks import Blocks, some_groups
from sidewall.models.kinds import Rows

Array = NDArray[np.float64]

#: From so many distinct rows on, some of the groups are fitted first.
LARGE = 300_000
_FEWEST_FIRST = 40
_ONE_IN = 16


@dataclass(frozen=True)
class Shape:
    """Which entries of L are free, and whether subgroups have intercepts."""

    p: int
    q: int
    free: tuple[NDArray[np.intp], NDArray[np.intp]]
    nested: bool

    @property
    def size(self) -> int:
        """Number of parameters: b, the free entries of L, s."""
        return self.p + len(self.free[0]) + self.nested

    @property
    def is_sd(self) -> NDArray[np.bool_]:
        """Which parameters are standard deviations."""
        found = np.r_[np.zeros(self.p, bool), self.free[0] == self.free[1]]
        return np.append(found, True) if self.nested else found

    def unpack(self, params: Array) -> tuple[Array, Array, float]:
        """Parameters as b, L and s."""
        L = np.zeros((self.q, self.q))
        L[self.free] = params[self.p : self.p + len(self.free[0])]
        return params[: self.p], L, float(params[-1]) if self.nested else 0.0


class Search:
    """Penalised log likelihood of rows, and a quasi-Newton search for its maximum.

    Parameters
    ----------
    rows : Rows
    shape : Shape
    sd_shape : float
        See :class:`~sidewall.models.PooledLogit`.
    max_iter : int
    tol : float
    """

    def __init__(
        self, rows: Rows, shape: Shape, sd_shape: float, max_iter: int, tol: float
    ) -> None:
        self.rows, self.shape, self.sd_shape = rows, shape, sd_shape
        self.max_iter, self.tol = max_iter, tol
        self.blocks = Blocks(rows)
        #: Covariance of the parameters by a fit to some of the groups, where there was one.
        self.covariance_guess: Array | None = None

    def evaluate(self, params: Array) -> tuple[float, Array]:
        """Penalised log likelihood and its gradient."""
        value, d_beta, d_L, d_sigma = self.blocks.evaluate(*self.shape.unpack(params))
        gradient = np.concatenate([d_beta, d_L[self.shape.free]])
        if self.shape.nested:
            gradient = np.append(gradient, d_sigma)
        if self.sd_shape != 1.0:
            is_sd = self.shape.is_sd
            sds = params[is_sd]
            value += (self.sd_shape - 1.0) * float(np.log(np.abs(sds)).sum())
            gradient[is_sd] += (self.sd_shape - 1.0) / sds
        return value, gradient

    def run(self, beta: Array) -> tuple[Array, float, int]:
        """Search in coordinates of about one standard error each.

        Returns
        -------
        params : ndarray
        gradient : float
            The largest, in units of one standard error.
        iterations : int
        """
        from scipy.optimize import minimize  # noqa: PLC0415 - slow to load

        start = self._from_some_groups(beta)
        x = self._plain_start(beta) if start is None else start

        def objective(step: Array) -> tuple[float, Array]:
            value, gradient = self.evaluate(x + self.unscale @ step)
            return -value, -(self.unscale.T @ gradient)

        result = minimize(
            objective,
            np.zeros(len(x)),
            jac=True,
            method="BFGS",
            options={"gtol": self.tol, "maxiter": self.max_iter},
        )
        found = x + self.unscale @ result.x
        return found, float(np.abs(result.jac).max()), int(result.nit)

    def _plain_start(self, beta: Array) -> Array:
        """Standard deviations of 0.4 on the log-odds scale; steps as without any spread."""
        rows, shape, p = self.rows, self.shape, self.shape.p
        size = np.sqrt(rows.mean_square(rows.Z))
        size[size == 0] = 1.0
        sd = 0.4 / size[shape.free[0]]
        sd_start = np.where(shape.free[0] == shape.free[1], sd, 0.0)
        mu = rows.successes.sum() / rows.trials.sum()
        of_kind = rows.by_kind(rows.by_cell(rows.trials))
        info = rows.X.T @ (rows.X * (of_kind * mu * (1 - mu))[:, None])
        beta_scale = np.linalg.cholesky(np.linalg.inv(info + 1e-9 * np.eye(p)))
        k = len(sd)
        self.unscale = np.zeros((shape.size, shape.size))
        self.unscale[:p, :p] = 2.0 * beta_scale
        self.unscale[range(p, p + k), range(p, p + k)] = sd / np.sqrt(2 * rows.n_groups)
        x = np.concatenate([beta, sd_start])
        if shape.nested:
            self.unscale[-1, -1] = 0.3 / np.sqrt(2 * rows.n_subgroups)
            x = np.append(x, 0.3)
        return x

    def _from_some_groups(self, beta: Array) -> Array | None:
        """Where many groups have many rows: start from a fit to some of them.

        It costs little, comes within a few standard errors, and tells how the likelihood
        curves, so that all the groups together take few steps more.
        """
        groups = self.rows.n_groups
        step = min(_ONE_IN, groups // _FEWEST_FIRST)
        if self.rows.layout.n_rows < LARGE or step < 2:
            return None
        chosen = np.arange(0, groups, step)
        few = Search(
            some_groups(self.rows, chosen), self.shape, self.sd_shape, self.max_iter, self.tol
        )
        found, _, _ = few.run(beta)
        covariance = few.covariance(found) * (len(chosen) / groups)
        values, vectors = np.linalg.eigh(covariance)
        self.unscale = vectors * np.sqrt(np.maximum(values, 1e-6 * values.max()))
        self.covariance_guess = covariance
        return found

    def covariance(self, params: Array) -> Array:
        """Inverse of the negative Hessian of the log likelihood in (b, L, s)."""
        kept, m = self.blocks.kept(), len(params)
        H = np.empty((m, m))
        for k in range(m):
            step = 2e-3 * self.unscale[:, k]
            ends = []
            for sign in (1.0, -1.0):
                self.blocks.put_back(kept)
                ends.append(self.evaluate(params + sign * step)[1])
            H[k] = -(ends[0] - ends[1]) / 4e-3 @ self.unscale
        self.blocks.put_back(kept)
        eigenvalues, vectors = np.linalg.eigh(0.5 * (H + H.T))
        # a direction without curvature (a variance at zero) carries no information
        kept_values = eigenvalues > 1e-6 * eigenvalues.max()
        inverse = np.where(kept_values, 1 / np.where(kept_values, eigenvalues, 1.0), 0.0)
        return np.asarray(self.unscale @ (vectors * inverse) @ vectors.T @ self.unscale.T)
