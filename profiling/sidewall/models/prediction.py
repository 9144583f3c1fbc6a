"""How far estimates for one group may be off when rows of a cluster share their luck.

All rows of a rally share one result, so the likelihood of independent rows overstates
what was seen of some quantities (levels) and understates it of others (differences
between balls of the same rally). The error of a prediction has two parts: the noise of
the data, whose size is read off the clusters themselves, and the part of a group's own
coefficients that shrinkage does not recover, whose size the variance components give.

With the joint penalised information ``K = H + P`` of all coefficients, J the summed
outer products of the clusters' scores, the error covariance is ``K^-1 (J + P) K^-1``
(the sandwich of Liang & Zeger 1986, Biometrika 73:13-22, around the best linear
predictor). J replaces H through a factor pooled over groups, since one group has few
clusters. What is given here is the correction to the covariance of independent rows,
which :mod:`sidewall.models.components` makes, the variance components averaged over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.models.laplace import cross_by, sum_by
from sidewall.models.pooled_logit import PooledLogit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Moments:
    """Second moments of rows cleared of subgroup and group effects."""

    fixed: Array  # (p, p)
    cross: Array  # (groups, p, q)
    own: Array  # (groups, q, q)


class PredictionError:
    """Error covariance of linear combinations of fixed and random effects, by group.

    Parameters
    ----------
    fit : PooledLogit
        A fitted model.
    X, Z : ndarray, shapes (n, p) and (n, q)
        Rows as given to the fit.
    y : ndarray, shape (n,)
        Their outcomes, 0 to 1.
    group : ndarray of int, shape (n,)
        Group positions, in the order of ``fit.groups_``.
    subgroup : ndarray of int, shape (n,) or None
        Subgroup positions in the fit's own order (see ``subgroup_position``).
    cluster : ndarray of int, shape (n,)
        Rows of one cluster are not independent of each other.
    weight : ndarray, shape (n,)
        Weight of each row in the fit.
    shifts : sequence of ndarray, shape (n,), default ()
        When the outcomes are estimates themselves: draws of their error.
    """

    def __init__(
        self,
        fit: PooledLogit,
        X: Array,
        Z: Array,
        y: Array,
        group: NDArray[np.intp],
        subgroup: NDArray[np.intp] | None,
        cluster: NDArray[np.intp],
        weight: Array,
        shifts: Sequence[Array] = (),
    ) -> None:
        self.fit = fit
        self._information = self._joint_information()
        F, Xc = self._cleared(X, Z, group, subgroup)
        residual = weight * (y - self._probability(X, Z, group, subgroup))
        self.n_clusters = len(np.unique(cluster))
        self.scores = self._score_moments(
            Xc * residual[:, None], F * residual[:, None], group, cluster
        )
        self.model = self._model_moments()
        self._shift_scores = [self._score(Xc, F, weight * shift, group) for shift in shifts]

    def _joint_information(self) -> Array:
        """Fixed-effects information with all random effects eliminated; fills the parts."""
        rows, mode = self.fit._rows_, self.fit._mode
        sigma = self.fit._unpack(self.fit.params_)[2]
        w = mode.weight[:, None]
        X = rows.X
        self._x_shift = None
        if rows.subgroup_start is not None:
            b = sigma * sum_by(X * w, rows.subgroup_start)
            self._x_shift = sigma * b / mode.d[:, None]
            self._f_shift = sigma * mode.e / mode.d[:, None]
            X = X - self._x_shift[rows.subgroup]
        # B: (groups, q, p); what the group's own effects explain of the fixed columns
        B = cross_by(mode.F * w, X, rows.group_start)
        self._explained = np.einsum("gab,gbp->gap", mode.inverse, B)
        H = (rows.X * w).T @ X
        return H - np.einsum("gqp,gqr->pr", B, self._explained)

    def _cleared(
        self, X: Array, Z: Array, group: NDArray[np.intp], subgroup: NDArray[np.intp] | None
    ) -> tuple[Array, Array]:
        """Rows of F and X with subgroup (both) and group (X) effects taken out."""
        F = Z @ self.fit._unpack(self.fit.params_)[1]
        if self._x_shift is not None and subgroup is not None:
            F = F - self._f_shift[subgroup]
            X = X - self._x_shift[subgroup]
        return F, X - np.einsum("nq,nqp->np", F, self._explained[group])

    def _probability(
        self, X: Array, Z: Array, group: NDArray[np.intp], subgroup: NDArray[np.intp] | None
    ) -> Array:
        fit = self.fit
        eta = X @ fit.fixed_effects_.to_numpy()
        eta += np.einsum("nq,nq->n", Z, fit.random_effects_.to_numpy()[group])
        if subgroup is not None:
            eta += fit.subgroup_effects_.to_numpy()[subgroup]
        return expit(eta)

    def _score(
        self, Xc: Array, F: Array, shift: Array, group: NDArray[np.intp]
    ) -> tuple[Array, Array]:
        """Scores of the fixed (p,) and the groups' own effects (groups, q)."""
        own = np.zeros((len(self.fit.groups_), F.shape[1]))
        np.add.at(own, group, F * shift[:, None])
        return Xc.T @ shift, own

    def _score_moments(
        self, Xr: Array, Fr: Array, group: NDArray[np.intp], cluster: NDArray[np.intp]
    ) -> Moments:
        groups, p = len(self.fit.groups_), Xr.shape[1]
        order = np.lexsort((group, cluster))
        g, c = group[order], cluster[order]
        pair = np.flatnonzero(np.r_[True, (np.diff(c) != 0) | (np.diff(g) != 0)])
        x_pair, f_pair = sum_by(Xr[order], pair), sum_by(Fr[order], pair)
        start = np.flatnonzero(np.r_[True, np.diff(c[pair]) != 0])
        x_cluster = sum_by(x_pair, start)
        which = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(pair))))
        scale = self.n_clusters / max(self.n_clusters - p, 1)
        by_group = np.argsort(g[pair], kind="stable")
        x_of_pair, f_sorted = x_cluster[which][by_group], f_pair[by_group]
        sizes = np.bincount(g[pair], minlength=groups)
        first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        return Moments(
            scale * x_cluster.T @ x_cluster,
            scale * cross_by(x_of_pair, f_sorted, first),
            scale * cross_by(f_sorted, f_sorted, first),
        )

    def _model_moments(self) -> Moments:
        """What the moments would be if rows were independent given the model."""
        rows, mode = self.fit._rows_, self.fit._mode
        F, X = self._cleared(rows.X, rows.Z, rows.group, rows.subgroup)
        w = mode.weight[:, None]
        return Moments(
            (X * w).T @ X,
            cross_by(X * w, F, rows.group_start),
            cross_by(F * w, F, rows.group_start),
        )

    def correction(self, fixed: Array, random: Array) -> tuple[Array, Array]:
        """What clusters and uncertain outcomes change in the error covariance.

        For ``fixed @ b + random @ u_g`` of every group.

        Parameters
        ----------
        fixed : ndarray, shape (k, p)
        random : ndarray, shape (k, q)

        Returns
        -------
        correction : ndarray, shape (groups, k, k)
            To be added to the covariance that holds when rows are independent.
        design_effect : ndarray, shape (k,)
            Noise variance seen in the clusters over that of independent rows.
        """
        mode = self.fit._mode
        L = self.fit._unpack(self.fit.params_)[1]
        c = random @ L
        own = np.einsum("kq,gqr->gkr", c, mode.inverse)
        rest = fixed[None] - np.einsum("kq,gqp->gkp", c, self._explained)
        y = rest @ np.linalg.inv(self._information)
        seen, expected = (self._sampling(y, own, part) for part in (self.scores, self.model))
        stretch = _stretch(seen.sum(axis=0), expected.sum(axis=0))
        noise = stretch @ expected @ stretch.T
        ratio = np.einsum("gkk->k", seen) / np.einsum("gkk->k", expected)
        return noise - expected + self._outcome_error(y, own), ratio

    def _outcome_error(self, y: Array, own: Array) -> Array | float:
        """What the outcomes' own uncertainty adds: the estimate is linear in them."""
        if not self._shift_scores:
            return 0.0
        moved = np.stack([y @ x + np.einsum("gkq,gq->gk", own, f) for x, f in self._shift_scores])
        moved = moved - moved.mean(axis=0)
        return np.einsum("bgk,bgl->gkl", moved, moved) / (len(moved) - 1)

    @staticmethod
    def _sampling(y: Array, own: Array, moments: Moments) -> Array:
        cross = y @ moments.cross @ own.transpose(0, 2, 1)
        return (
            y @ moments.fixed @ y.transpose(0, 2, 1)
            + cross
            + cross.transpose(0, 2, 1)
            + own @ moments.own @ own.transpose(0, 2, 1)
        )


def _stretch(seen: Array, expected: Array) -> Array:
    """A matrix T with ``T expected T' = seen``."""
    return _root(seen) @ np.linalg.pinv(_root(expected))


def _root(matrix: Array) -> Array:
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return (vectors * np.sqrt(np.clip(values, 0.0, None))) @ vectors.T
