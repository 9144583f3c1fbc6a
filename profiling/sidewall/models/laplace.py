"""The Laplace-approximate log likelihood of a grouped logistic model, and its gradient.

Rows belong to groups (players) and, within a group, to subgroups (matches)::

    logit P(success) = x'b + z'u_g + m_j,   u_g = L v_g,  v_g ~ N(0, I),  m_j = s * r_j

Writing the effects as ``L v`` keeps everything smooth when a variance reaches zero. The
random effects of one group, its subgroups included, form one block; subgroup intercepts
are eliminated from it first (their part is diagonal), which leaves a q x q matrix a group.

Formulas: the Laplace approximation of Breslow & Clayton 1993 (JASA 88:9-25) with the
exact derivative of its log determinant, the dependence of the mode on the parameters
included (Kristensen et al. 2016, Journal of Statistical Software 70(5), section 2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Array = NDArray[np.float64]

_MAX_INNER = 60
_DECREMENT = 1e-11


@dataclass(frozen=True)
class Rows:
    """Distinct rows sorted by group and subgroup, with their counts.

    ``successes`` and ``trials`` need not be whole numbers: a fraction is a fractional
    response and a weight scales both.
    """

    X: Array
    Z: Array
    successes: Array
    trials: Array
    group: NDArray[np.intp]
    group_start: NDArray[np.intp]
    subgroup: NDArray[np.intp] | None = None
    subgroup_start: NDArray[np.intp] | None = None
    subgroup_group: NDArray[np.intp] | None = None

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return len(self.group_start)

    @property
    def n_subgroups(self) -> int:
        """Number of subgroups; 0 when rows have none."""
        return 0 if self.subgroup_start is None else len(self.subgroup_start)


def sum_by(values: Array, start: NDArray[np.intp]) -> Array:
    """Sum consecutive rows of `values` between the positions in `start`."""
    return np.add.reduceat(values, start, axis=0)


def cross_by(left: Array, right: Array, start: NDArray[np.intp]) -> Array:
    """Cross products ``left' right`` of the rows of every group, shape (groups, a, b)."""
    n, groups = len(left), len(start)
    if n > 100 * groups:  # long groups: one matrix product each is the fastest
        stop = np.append(start[1:], n)
        return np.stack([left[i:j].T @ right[i:j] for i, j in zip(start, stop, strict=True)])
    return sum_by(left[:, :, None] * right[:, None, :], start)


@dataclass
class Mode:
    """The random effects' mode at given parameters, and what the gradient needs there."""

    loglik: float
    v: Array  # (groups, q), standardised group effects
    s: Array  # (subgroups,), standardised subgroup intercepts
    residual: Array  # (n,)
    weight: Array  # (n,)
    mu: Array  # (n,)
    F: Array  # (n, q) rows of Z L
    F_free: Array  # (n, q) the same, cleared of the subgroup intercepts
    e: Array  # (subgroups, q)
    d: Array  # (subgroups,)
    inverse: NDArray  # (groups, q, q) inverse of each group's block


class Laplace:
    """Log likelihood and gradient as functions of ``(b, L, s)`` for one set of rows."""

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.v = np.zeros((rows.n_groups, rows.Z.shape[1]))
        self.s = np.zeros(rows.n_subgroups)

    def _block(self, F: Array, w: Array, sigma: float) -> tuple[Array, Array, Array, Array]:
        """Group blocks of the penalised information, subgroup intercepts eliminated."""
        rows = self.rows
        if rows.subgroup_start is None or sigma == 0.0:
            empty = np.zeros((rows.n_subgroups, F.shape[1]))
            S = cross_by(F * w[:, None], F, rows.group_start)
            return S + np.eye(F.shape[1]), empty, np.ones(rows.n_subgroups), F
        e = sigma * sum_by(F * w[:, None], rows.subgroup_start)
        d = 1.0 + sigma**2 * sum_by(w, rows.subgroup_start)
        F_free = F - (sigma * e / d[:, None])[rows.subgroup]
        S = cross_by(F * w[:, None], F_free, rows.group_start) + np.eye(F.shape[1])
        return S, e, d, F_free

    def solve(self, mode: Mode, group_rhs: Array, subgroup_rhs: Array) -> tuple[Array, Array]:
        """Solve the block system for right-hand sides by group and by subgroup."""
        rows = self.rows
        if rows.subgroup_group is None:
            return np.einsum("gab,gb->ga", mode.inverse, group_rhs), subgroup_rhs
        lead = mode.e * (subgroup_rhs / mode.d)[:, None]
        carried = np.zeros_like(group_rhs)
        np.add.at(carried, rows.subgroup_group, lead)
        v = np.einsum("gab,gb->ga", mode.inverse, group_rhs - carried)
        s = (subgroup_rhs - np.einsum("jq,jq->j", mode.e, v[rows.subgroup_group])) / mode.d
        return v, s

    def _by_level(self, F: Array, values: Array, sigma: float) -> tuple[Array, Array]:
        """Sums of ``values * F`` by group and of ``values * sigma`` by subgroup."""
        rows = self.rows
        by_group = sum_by(F * values[:, None], rows.group_start)
        if rows.subgroup_start is None:
            return by_group, self.s[:0]
        return by_group, sigma * sum_by(values, rows.subgroup_start)

    def _effect(self, F: Array, v: Array, s: Array, sigma: float) -> Array:
        """The random part of the linear predictor."""
        rows = self.rows
        eta = np.einsum("nq,nq->n", F, v[rows.group])
        if rows.subgroup is not None:
            eta += sigma * s[rows.subgroup]
        return eta

    def mode(self, beta: Array, L: Array, sigma: float) -> Mode:
        """Find the mode of the random effects by Newton steps, from the last mode found."""
        rows = self.rows
        F = rows.Z @ L
        fixed = rows.X @ beta
        v, s = self.v, self.s

        def penalised(v: Array, s: Array) -> tuple[float, Array]:
            eta = fixed + self._effect(F, v, s, sigma)
            loglik = rows.successes @ eta - rows.trials @ np.logaddexp(0.0, eta)
            return float(loglik - 0.5 * (np.sum(v * v) + np.sum(s * s))), eta

        value, eta = penalised(v, s)
        for _ in range(_MAX_INNER):
            mu = expit(eta)
            residual = rows.successes - rows.trials * mu
            weight = rows.trials * mu * (1.0 - mu)
            S, e, d, F_free = self._block(F, weight, sigma)
            mode = Mode(value, v, s, residual, weight, mu, F, F_free, e, d, np.linalg.inv(S))
            grad_v, grad_s = self._by_level(F, residual, sigma)
            step_v, step_s = self.solve(mode, grad_v - v, grad_s - s)
            decrement = np.sum(step_v * (grad_v - v)) + np.sum(step_s * (grad_s - s))
            if decrement < _DECREMENT * max(1.0, abs(value) * 1e-4):
                break
            scale = 1.0
            while scale > 1e-6:
                trial, eta = penalised(v + scale * step_v, s + scale * step_s)
                if trial >= value:
                    break
                scale *= 0.5
            v, s, value = v + scale * step_v, s + scale * step_s, trial
        self.v, self.s = v, s
        log_det = np.sum(np.linalg.slogdet(S)[1]) + np.sum(np.log(d))
        mode.loglik = value - 0.5 * float(log_det)
        return mode

    def gradient(self, mode: Mode, sigma: float) -> tuple[Array, Array, float]:
        """Gradient of the log likelihood at a mode.

        Returns
        -------
        d_beta : ndarray, shape (p,)
        d_L : ndarray, shape (q, q)
            Derivative in every entry of L; the caller picks those that are free.
        d_sigma : float
        """
        rows, v, s = self.rows, mode.v, mode.s
        r, w = mode.residual, mode.weight
        # b: rows of the block inverse times the row's own design (f, sigma)
        b = np.einsum("nq,nqk->nk", mode.F_free, mode.inverse[rows.group])
        leverage = np.einsum("nq,nq->n", mode.F, b)
        b_s = np.zeros(0)
        if rows.subgroup is not None:
            e, d = mode.e[rows.subgroup], mode.d[rows.subgroup]
            b_s = (sigma - np.einsum("nq,nq->n", e, b)) / d
            leverage += sigma * b_s
        t = leverage * w * (1.0 - 2.0 * mode.mu)
        c, c_s = self.solve(mode, *self._by_level(mode.F, t, sigma))
        shifted = r - 0.5 * t + 0.5 * w * self._effect(mode.F, c, c_s, sigma)
        d_beta = rows.X.T @ shifted
        by_row = (
            shifted[:, None] * v[rows.group] - w[:, None] * b - 0.5 * r[:, None] * c[rows.group]
        )
        d_L = rows.Z.T @ by_row
        d_sigma = 0.0
        if rows.subgroup is not None:
            j = rows.subgroup
            d_sigma = float(np.sum(shifted * s[j] - w * b_s - 0.5 * r * c_s[j]))
        return d_beta, d_L, d_sigma
