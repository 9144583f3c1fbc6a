"""The Laplace-approximate log likelihood of a grouped logistic model, and its gradient.

Rows belong to groups (players) and, within a group, to subgroups (matches)::

    logit P(success) = x'b + z'u_g + m_j,   u_g = L v_g,  v_g ~ N(0, I),  m_j = s * r_j

Writing the effects as ``L v`` keeps everything smooth when a variance reaches zero. The
random effects of one group, its subgroups included, form one block; subgroup intercepts
are eliminated from it first (their part is diagonal), which leaves a q x q matrix a group.

Formulas: the Laplace approximation of Breslow & Clayton 1993 (JASA 88:9-25) with the
exact derivative of its log determinant, the dependence of the mode on the parameters
included (Kristensen et al. 2016, Journal of Statistical Software 70(5), section 2).

The columns depend on the kind of row alone, so everything of width p or q is summed by
cell (see :mod:`sidewall.models.kinds`), and a row costs a few scalar operations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidewall.models.kinds import Rows, cross_by, sum_by

Array = NDArray[np.float64]

_MAX_INNER = 60
_DECREMENT = 1e-11


def chances(eta: Array) -> tuple[Array, Array, Array]:
    """Chance, its variance p (1 - p), and ``log(1 + exp(eta))``, without overflow."""
    z = np.exp(-np.abs(eta))
    one = 1.0 / (1.0 + z)
    softplus = np.maximum(eta, 0.0) - np.log(one)
    return np.where(eta >= 0.0, one, z * one), z * one * one, softplus


@dataclass
class Mode:
    """The random effects' mode at given parameters, and what the gradient needs there."""

    loglik: float
    v: Array  # (groups, q), standardised group effects
    s: Array  # (subgroups,), standardised subgroup intercepts
    eta: Array  # (n,)
    mu: Array  # (n,)
    residual: Array  # (n,)
    weight: Array  # (n,)
    cell_weight: Array  # (cells,)
    F: Array  # (cells, q) rows of Z L
    zw: Array  # (subgroups, q), weighted sums of Z
    d: Array  # (subgroups,)
    inverse: NDArray  # (groups, q, q) inverse of each group's block


class Laplace:
    """Log likelihood and gradient as functions of ``(b, L, s)`` for one set of rows."""

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.v = np.zeros((rows.n_groups, rows.Z.shape[1]))
        self.s = np.zeros(rows.n_subgroups)

    def _block(
        self, F: Array, L: Array, weight: Array, sigma: float
    ) -> tuple[Array, Array, Array, Array]:
        """Group blocks of the penalised information, subgroup intercepts eliminated."""
        rows, at = self.rows, self.rows.layout
        by_cell = rows.by_cell(weight)
        S = cross_by(F * by_cell[:, None], F, at.group_start) + np.eye(F.shape[1])
        if at.subgroup is None or sigma == 0.0:
            zw = np.zeros((rows.n_subgroups, F.shape[1]))
            return S, by_cell, zw, np.ones(rows.n_subgroups)
        zw = rows.columns_by_subgroup(weight, rows.Z)
        d = 1.0 + sigma**2 * rows.by_subgroup(weight)
        e = sigma * zw @ L
        return S - cross_by(e / d[:, None], e, at.group_subgroup_start), by_cell, zw, d

    def solve(
        self, mode: Mode, e: Array, group_rhs: Array, subgroup_rhs: Array
    ) -> tuple[Array, Array]:
        """Solve the block system for right-hand sides by group and by subgroup.

        ``e``, of shape (subgroups, q), couples the two levels.
        """
        at = self.rows.layout
        if at.subgroup_group is None:
            return np.einsum("gab,gb->ga", mode.inverse, group_rhs), subgroup_rhs
        carried = sum_by(e * (subgroup_rhs / mode.d)[:, None], at.group_subgroup_start)
        v = np.einsum("gab,gb->ga", mode.inverse, group_rhs - carried)
        s = (subgroup_rhs - np.einsum("jq,jq->j", e, v[at.subgroup_group])) / mode.d
        return v, s

    def _by_level(self, F: Array, values: Array, sigma: float) -> tuple[Array, Array]:
        """Sums of ``values * F`` by group and of ``values * sigma`` by subgroup."""
        rows, at = self.rows, self.rows.layout
        by_group = sum_by(F * rows.by_cell(values)[:, None], at.group_start)
        if at.subgroup is None:
            return by_group, self.s[:0]
        return by_group, sigma * rows.by_subgroup(values)

    def _effect(self, fixed: Array | float, F: Array, v: Array, s: Array, sigma: float) -> Array:
        """A fixed part by cell and the random part of every row's linear predictor."""
        at = self.rows.layout
        by_cell = fixed + np.einsum("cq,cq->c", F, v[at.group])
        if at.subgroup is None:
            return by_cell
        return by_cell[at.cell] + (sigma * s)[at.subgroup]

    def mode(self, beta: Array, L: Array, sigma: float) -> Mode:
        """Find the mode of the random effects by Newton steps, from the last mode found."""
        rows, at = self.rows, self.rows.layout
        F = (rows.Z @ L)[at.kind]
        fixed = (rows.X @ beta)[at.kind]
        v, s = self.v, self.s

        def penalised(v: Array, s: Array) -> tuple[float, Array, Array, Array]:
            eta = self._effect(fixed, F, v, s, sigma)
            mu, variance, softplus = chances(eta)
            loglik = rows.successes @ eta - rows.trials @ softplus
            value = float(loglik - 0.5 * (np.sum(v * v) + np.sum(s * s)))
            return value, eta, mu, variance

        value, eta, mu, variance = penalised(v, s)
        for _ in range(_MAX_INNER):
            residual = rows.successes - rows.trials * mu
            weight = rows.trials * variance
            S, by_cell, zw, d = self._block(F, L, weight, sigma)
            mode = Mode(value, v, s, eta, mu, residual, weight, by_cell, F, zw, d, np.linalg.inv(S))
            grad_v, grad_s = self._by_level(F, residual, sigma)
            step_v, step_s = self.solve(mode, sigma * zw @ L, grad_v - v, grad_s - s)
            decrement = np.sum(step_v * (grad_v - v)) + np.sum(step_s * (grad_s - s))
            if decrement < _DECREMENT * max(1.0, abs(value) * 1e-4):
                break
            scale = 1.0
            while scale > 1e-6:
                trial, *found = penalised(v + scale * step_v, s + scale * step_s)
                if trial >= value:
                    break
                scale *= 0.5
            v, s, value = v + scale * step_v, s + scale * step_s, trial
            eta, mu, variance = found
        self.v, self.s = v, s
        log_det = np.sum(np.linalg.slogdet(S)[1]) + np.sum(np.log(d))
        mode.loglik = value - 0.5 * float(log_det)
        return mode

    def gradient(self, mode: Mode, L: Array, sigma: float) -> tuple[Array, Array, float]:
        """Gradient of the log likelihood at a mode.

        Returns
        -------
        d_beta : ndarray, shape (p,)
        d_L : ndarray, shape (q, q)
            Derivative in every entry of L; the caller picks those that are free.
        d_sigma : float
        """
        rows, at, v, s = self.rows, self.rows.layout, mode.v, mode.s
        r, w, d = mode.residual, mode.weight, mode.d
        # A: rows of the block inverse times the cell's own design; a subgroup takes off
        # its share sigma / d * own[subgroup], which the level below carries
        A = np.empty_like(mode.F)
        for g, inverse in enumerate(mode.inverse):
            part = _part(at.group_start, g, len(A))
            A[part] = mode.F[part] @ inverse
        leverage = np.einsum("cq,cq->c", mode.F, A)
        e = sigma * mode.zw @ L
        if at.subgroup is not None and at.subgroup_group is not None:
            own = np.einsum("jq,jqk->jk", e, mode.inverse[at.subgroup_group])
            taken = rows.times_subgroup(rows.Z @ L, own)
            shrunk = (sigma / d)[at.subgroup]
            b_s = ((sigma + sigma / d * np.einsum("jq,jq->j", e, own)) / d)[at.subgroup]
            b_s -= taken / d[at.subgroup]
            leverage = leverage[at.cell] - shrunk * taken + sigma * b_s
        t = leverage * w * (1.0 - 2.0 * mode.mu)
        c, c_s = self.solve(mode, e, *self._by_level(mode.F, t, sigma))
        shifted = r - 0.5 * t + 0.5 * w * self._effect(0.0, mode.F, c, c_s, sigma)
        by_cell, r_cell = rows.by_cell(shifted), rows.by_cell(r)
        d_beta = rows.X.T @ rows.by_kind(by_cell)
        by_cell_q = by_cell[:, None] * v[at.group] - 0.5 * r_cell[:, None] * c[at.group]
        by_cell_q -= mode.cell_weight[:, None] * A
        d_L = rows.Z[at.kind].T @ by_cell_q
        d_sigma = 0.0
        if at.subgroup is not None:
            d_L += mode.zw.T @ ((sigma / d)[:, None] * own)
            d_sigma = float(rows.by_subgroup(shifted) @ s - 0.5 * rows.by_subgroup(r) @ c_s)
            d_sigma -= float(w @ b_s)
        return d_beta, d_L, d_sigma


def _part(start: NDArray[np.int64], group: int, n: int) -> slice:
    stop = start[group + 1] if group + 1 < len(start) else n
    return slice(start[group], stop)
