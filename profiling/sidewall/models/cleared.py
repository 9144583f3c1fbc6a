"""Rows cleared of random effects, and their scores summed by cluster.

What is needed of a fit is small (nothing in it grows with the rows), and what comes out
adds up over any parts of the rows that keep clusters whole. So the parts may be read one
after another, or by different processes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidewall.models.kinds import cross_by, sum_by
from sidewall.models.laplace import chances

Array = NDArray[Any]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Scores:
    """Second moments of scores summed by cluster; they add up over parts.

    Attributes
    ----------
    fixed : ndarray, shape (p, p)
    cross : ndarray, shape (groups, p, q)
    own : ndarray, shape (groups, q, q)
    n_clusters : int
    """

    fixed: Array
    cross: Array
    own: Array
    n_clusters: int = 0

    def __add__(self, other: Scores) -> Scores:
        return Scores(
            self.fixed + other.fixed,
            self.cross + other.cross,
            self.own + other.own,
            self.n_clusters + other.n_clusters,
        )


@dataclass(frozen=True)
class Clearing:
    """What takes subgroup and group effects out of rows.

    Attributes
    ----------
    fixed : ndarray, shape (p,)
    random : ndarray, shape (groups, q)
    subgroup : ndarray, shape (subgroups,), or None
        The fit's estimates.
    chol : ndarray, shape (q, q)
    x_shift, f_shift : ndarray, shapes (subgroups, p) and (subgroups, q), or None
        Weighted means of the columns in each subgroup, shrunk.
    explained : ndarray, shape (groups, q, p)
        What a group's own effects explain of the fixed columns.
    """

    fixed: Array
    random: Array
    subgroup: Array | None
    chol: Array
    x_shift: Array | None
    f_shift: Array | None
    explained: Array

    def rows(self, X: Array, Z: Array, group: Ints, subgroup: Ints | None) -> tuple[Array, Array]:
        """Rows of F = Z L and of X, subgroup (both) and group (X) effects taken out."""
        F = Z @ self.chol
        if self.x_shift is not None and self.f_shift is not None and subgroup is not None:
            F = F - self.f_shift[subgroup]
            X = X - self.x_shift[subgroup]
        order = np.argsort(group, kind="stable")
        cleared = np.empty_like(X)
        present, start = np.unique(group[order], return_index=True)
        for g, at in zip(present, np.split(order, start[1:]), strict=True):
            cleared[at] = X[at] - F[at] @ self.explained[g]
        return F, cleared

    def probability(self, X: Array, Z: Array, group: Ints, subgroup: Ints | None) -> Array:
        """Fitted chance of every row, all effects in."""
        eta = X @ self.fixed
        eta += np.einsum("nq,nq->n", Z, self.random[group])
        if subgroup is not None and self.subgroup is not None:
            eta += self.subgroup[subgroup]
        return chances(eta)[0]

    def scores(self, X: Array, F: Array, residual: Array, group: Ints, cluster: Ints) -> Scores:
        """Moments of the clusters' scores.

        Parameters
        ----------
        X, F : ndarray
            Cleared rows.
        residual : ndarray, shape (n,)
            Weighted result minus chance.
        group, cluster : ndarray of int, shape (n,)
        """
        p, q = X.shape[1], F.shape[1]
        groups = len(self.random)
        cross, own = np.zeros((groups, p, q)), np.zeros((groups, q, q))
        if len(residual) == 0:
            return Scores(np.zeros((p, p)), cross, own)
        order = np.lexsort((group, cluster))
        g, c = group[order], cluster[order]
        pair = np.flatnonzero(np.r_[True, (np.diff(c) != 0) | (np.diff(g) != 0)])
        both = np.hstack([X, F])[order]
        both *= residual[order, None]
        both = sum_by(both, pair)
        start = np.flatnonzero(np.r_[True, np.diff(c[pair]) != 0])
        x_cluster = sum_by(both[:, :p], start)
        which = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(pair))))
        by_group = np.argsort(g[pair], kind="stable")
        x_of_pair, f = x_cluster[which][by_group], both[by_group, p:]
        present, first = np.unique(g[pair][by_group], return_index=True)
        cross[present] = cross_by(x_of_pair, f, first)
        own[present] = cross_by(f, f, first)
        return Scores(x_cluster.T @ x_cluster, cross, own, len(start))
