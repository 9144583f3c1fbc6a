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
clusters. It starts from the covariance of independent rows, which
:mod:`sidewall.models.components` makes, the variance components averaged over.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from sidewall.models.cleared import Clearing, Scores
from sidewall.models.kinds import cross_by
from sidewall.models.pooled_logit import PooledLogit

Array = NDArray[np.float64]
#: Scores that a draw of the outcomes' error moves: of the fixed effects, shape (p,), and
#: of the groups' own, shape (groups, q).
ShiftScore = tuple[Array, Array]


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
        Subgroup positions in the order of ``fit.subgroup_effects_``.
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
        self._prepare(fit)
        clearing = self.clearing
        F, Xc = clearing.rows(X, Z, group, subgroup)
        residual = weight * (y - clearing.probability(X, Z, group, subgroup))
        scores = clearing.scores(Xc, F, residual, group, cluster)
        self._finish(scores, [self._score(Xc, F, weight * shift, group) for shift in shifts])

    @classmethod
    def from_scores(cls, fit: PooledLogit) -> PredictionError:
        """Start without rows: call :meth:`add_scores` with what ``clearing`` makes of them."""
        error = cls.__new__(cls)
        error._prepare(fit)
        return error

    def add_scores(self, scores: Scores, shift_scores: Iterable[ShiftScore] = ()) -> None:
        """Take the summed scores of all rows."""
        self._finish(scores, list(shift_scores))

    def _prepare(self, fit: PooledLogit) -> None:
        """The joint information with all random effects eliminated, and its parts."""
        self.fit = fit
        rows, mode, at = fit._rows_, fit._mode, fit._rows_.layout
        _, L, sigma = fit._unpack(fit.params_)
        weight = mode.cell_weight[:, None]
        Xc = rows.X[at.kind]
        # weighted cross products of X and of F, by group where they are needed so
        XX = rows.X.T @ (rows.X * rows.by_kind(mode.cell_weight)[:, None])
        FX = cross_by(mode.F * weight, Xc, at.group_start)
        FF = cross_by(mode.F * weight, mode.F, at.group_start)
        x_shift = f_shift = effects = None
        H, B = XX, FX
        if at.subgroup is not None:
            xw = rows.columns_by_subgroup(mode.weight, rows.X)
            fw, share = mode.zw @ L, (sigma**2 / mode.d)[:, None]
            x_shift, f_shift = share * xw, share * fw
            first = at.group_subgroup_start
            H, B = XX - xw.T @ x_shift, FX - cross_by(f_shift, xw, first)
            # cleared on both sides, a subgroup takes off the more
            twice = 1.0 + 1.0 / mode.d[:, None]
            XX = XX - xw.T @ (twice * x_shift)
            FX = FX - cross_by(twice * f_shift, xw, first)
            FF = FF - cross_by(twice * f_shift, fw, first)
            effects = fit.subgroup_effects_.to_numpy()
        E = np.einsum("gab,gbp->gap", mode.inverse, B)
        self._information = H - np.einsum("gqp,gqr->pr", B, E)
        mixed = np.einsum("gqp,gqr->pr", FX, E)
        FE = FF @ E
        #: What the moments would be if rows were independent given the model.
        self.model = Scores(
            XX - mixed - mixed.T + np.einsum("gqp,gqr->pr", E, FE),
            (FX - FE).transpose(0, 2, 1),
            FF,
        )
        self.clearing = Clearing(
            fit.fixed_effects_.to_numpy(dtype=np.float64),
            fit.random_effects_.to_numpy(),
            effects,
            L,
            x_shift,
            f_shift,
            E,
        )

    def _finish(self, scores: Scores, shift_scores: list[ShiftScore]) -> None:
        p = len(scores.fixed)
        self.n_clusters = scores.n_clusters
        scale = self.n_clusters / max(self.n_clusters - p, 1)
        self.scores = Scores(scale * scores.fixed, scale * scores.cross, scale * scores.own)
        self._shift_scores = shift_scores

    def _score(self, Xc: Array, F: Array, shift: Array, group: NDArray[np.intp]) -> ShiftScore:
        own = np.zeros((len(self.fit.groups_), F.shape[1]))
        np.add.at(own, group, F * shift[:, None])
        return Xc.T @ shift, own

    def covariance(self, independent: Array, fixed: Array, random: Array) -> tuple[Array, Array]:
        """Error covariance of ``fixed @ b + random @ u_g`` of every group.

        Parameters
        ----------
        independent : ndarray, shape (groups, k, k)
            The covariance that would hold if rows were independent. The noise of rows in
            it is replaced by that of clusters; what is left, the part of a group's own
            coefficients that shrinkage does not recover, is never less than nothing.
        fixed : ndarray, shape (k, p)
        random : ndarray, shape (k, q)

        Returns
        -------
        covariance : ndarray, shape (groups, k, k)
            With what uncertain outcomes add.
        design_effect : ndarray, shape (k,)
            Noise variance seen in the clusters over that of independent rows.
        """
        c = random @ self.clearing.chol
        own = np.matmul(c, self.fit._mode.inverse)
        y = (fixed - c @ self.clearing.explained) @ np.linalg.inv(self._information)
        seen, expected = (_sampling(y, own, part) for part in (self.scores, self.model))
        stretch = _stretch(seen.sum(axis=0), expected.sum(axis=0))
        noise = stretch @ expected @ stretch.T
        ratio = np.einsum("gkk->k", seen) / np.einsum("gkk->k", expected)
        left = _not_negative(independent - expected)
        return noise + left + self._outcome_error(y, own), ratio

    def _outcome_error(self, y: Array, own: Array) -> Array | float:
        """What the outcomes' own uncertainty adds: the estimate is linear in them."""
        if not self._shift_scores:
            return 0.0
        moved = np.stack([y @ x + np.einsum("gkq,gq->gk", own, f) for x, f in self._shift_scores])
        moved = moved - moved.mean(axis=0)
        by_group = moved.transpose(1, 2, 0)
        return by_group @ by_group.swapaxes(1, 2) / (len(moved) - 1)


def _sampling(y: Array, own: Array, moments: Scores) -> Array:
    cross = y @ moments.cross @ own.transpose(0, 2, 1)
    return (
        y @ moments.fixed @ y.transpose(0, 2, 1)
        + cross
        + cross.transpose(0, 2, 1)
        + own @ moments.own @ own.transpose(0, 2, 1)
    )


def _not_negative(matrices: Array) -> Array:
    """The nearest matrices without negative eigenvalues; those without any stay as they are."""
    values, vectors = np.linalg.eigh(0.5 * (matrices + matrices.swapaxes(-1, -2)))
    nearest = (vectors * np.maximum(values, 0.0)[..., None, :]) @ vectors.swapaxes(-1, -2)
    return np.where(values[..., :1, None] < 0.0, nearest, matrices)  # values rise


def _stretch(seen: Array, expected: Array) -> Array:
    """A matrix T with ``T expected T' = seen``."""
    return _root(seen) @ np.linalg.pinv(_root(expected))


def _root(matrix: Array) -> Array:
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return (vectors * np.sqrt(np.clip(values, 0.0, None))) @ vectors.T
