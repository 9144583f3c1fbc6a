"""Average over what is not known about the variance components.

With ten players the spread between players is known badly, and a plug-in estimate of it
makes intervals too short. Under a flat prior on each standard deviation (Gelman 2006,
Bayesian Analysis 1:515-534) the penalty ``sd_shape = 2`` gives the mode on the log scale.
Draws around that mode are weighted by the marginal likelihood of the standard deviations
(importance sampling), and every estimate and covariance is averaged over them.

The likelihood of the rows is taken as normal around the fitted mode (working responses),
which makes the marginal likelihood of any standard deviations a matter of small matrices.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.models.laplace import cross_by, sum_by
from sidewall.models.pooled_logit import PooledLogit

Array = NDArray[Any]

_TAIL_DF = 6.0
#: Matrices held at once: draws times groups.
_MOST_BLOCKS = 40_000


@dataclass(frozen=True)
class Working:
    """Normal-theory summaries of the rows, subgroup intercepts eliminated.

    ``XX`` (p, p), ``ZX`` (groups, q, p), ``ZZ`` (groups, q, q), ``Xe`` (p,), ``Ze``
    (groups, q), e being the working response.
    """

    XX: Array
    ZX: Array
    ZZ: Array
    Xe: Array
    Ze: Array


def working_summaries(fit: PooledLogit) -> Working:
    """Summaries of a fitted model's rows at its mode."""
    rows, mode = fit._rows_, fit._mode
    w = mode.weight
    sigma = fit._unpack(fit.params_)[2]
    eta = rows.X @ fit.fixed_effects_.to_numpy()
    eta += np.einsum("nq,nq->n", rows.Z, fit.random_effects_.to_numpy()[rows.group])
    if rows.subgroup is not None:
        eta += sigma * mode.s[rows.subgroup]
    response = eta + mode.residual / w
    X, Z, e = rows.X, rows.Z, response
    if rows.subgroup_start is not None and rows.subgroup is not None:
        stack = np.column_stack([X, Z, e])
        shrunk = sigma**2 * sum_by(stack * w[:, None], rows.subgroup_start) / mode.d[:, None]
        cleared = stack - shrunk[rows.subgroup]
        p, q = X.shape[1], Z.shape[1]
        X, Z, e = cleared[:, :p], cleared[:, p : p + q], cleared[:, -1]
    Xw, Zw = rows.X * w[:, None], rows.Z * w[:, None]
    return Working(
        Xw.T @ X,
        cross_by(Zw, X, rows.group_start),
        cross_by(Zw, Z, rows.group_start),
        Xw.T @ e,
        sum_by(Zw * e[:, None], rows.group_start),
    )


class ComponentAverage:
    """Estimates averaged over the standard deviations between groups.

    Parameters
    ----------
    fit : PooledLogit
        Fitted with a diagonal covariance and ``sd_shape=2``.
    draws : int
        Draws of the standard deviations.
    prior_scale : float
        Scale of a half-normal prior on the spread that each column brings to the linear
        predictor where it is not zero; infinite for a flat prior.
    rng : numpy.random.Generator

    Attributes
    ----------
    sd_ : ndarray, shape (draws, q)
    weight_ : ndarray, shape (draws,)
        Importance weights, adding up to 1.
    effective_draws_ : float
        How many independent draws they are worth.
    """

    def __init__(
        self, fit: PooledLogit, draws: int, prior_scale: float, rng: np.random.Generator
    ) -> None:
        self._data = working_summaries(fit)
        mode = np.abs(np.diag(fit.chol_))
        if len(fit.groups_) == 1 or draws <= 1:
            self.sd_, self.weight_ = mode[None], np.ones(1)
        else:
            self.sd_, log_proposal = _propose(fit, mode, draws, rng)
            log_target = self._each(self._log_marginal) + np.log(self.sd_).sum(axis=1)
            spread = self.sd_ * _active_size(fit._rows_.Z)
            log_target -= 0.5 * np.sum((spread / prior_scale) ** 2, axis=1)
            log_weight = log_target - log_proposal
            weight = np.exp(log_weight - log_weight.max())
            self.weight_ = weight / weight.sum()
        self.effective_draws_ = float(1.0 / np.sum(self.weight_**2))

    def _each(self, function: Callable[[Array], Array]) -> Array:
        step = max(1, _MOST_BLOCKS // len(self._data.ZZ))
        parts = [function(self.sd_[k : k + step]) for k in range(0, len(self.sd_), step)]
        return np.concatenate(parts)

    def _posterior(self, sd: Array) -> tuple[Array, Array, Array, Array]:
        """Scaled block inverses, what they explain, fixed information and right-hand side.

        Everything is in effects divided by their standard deviation, so that a standard
        deviation of zero does no harm.
        """
        data, q = self._data, sd.shape[1]
        scale = sd[:, None, :]
        ZZ = data.ZZ[None] * scale[..., :, None] * scale[..., None, :] + np.eye(q)
        inverse = np.linalg.inv(ZZ)
        ZX = data.ZX[None] * scale[..., None]
        explained = inverse @ ZX
        information = data.XX - np.einsum("bgqp,bgqr->bpr", ZX, explained)
        rhs = data.Xe - np.einsum("bgqp,bgq->bp", explained, data.Ze[None] * scale)
        return inverse, explained, information, rhs

    def _log_marginal(self, sd: Array) -> Array:
        inverse, _, information, rhs = self._posterior(sd)
        Ze = self._data.Ze[None] * sd[:, None, :]
        fit = np.einsum("bgq,bgqr,bgr->b", Ze, inverse, Ze)
        fit += np.einsum("bp,bp->b", rhs, np.linalg.solve(information, rhs[..., None])[..., 0])
        logdet = -np.linalg.slogdet(inverse)[1].sum(axis=1) + np.linalg.slogdet(information)[1]
        return np.asarray(0.5 * (fit - logdet))

    def effects(self, fit: PooledLogit) -> tuple[pd.Series, pd.DataFrame]:
        """Averaged fixed effects, and random effects by group, named as in the fit."""
        p, q = len(fit.fixed_names_), len(fit.random_names_)
        both = np.vstack([np.eye(p, p + q), np.eye(p + q)[p:]])
        mean, _ = self.contrasts(both[:, :p], both[:, p:])
        fixed = pd.Series(mean[0, :p], fit.fixed_names_, name="estimate")
        return fixed, pd.DataFrame(mean[:, p:], fit.groups_, fit.random_names_)

    def contrasts(self, fixed: Array, random: Array) -> tuple[Array, Array]:
        """Averaged estimates of ``fixed @ b + random @ u_g`` and their covariance.

        Parameters
        ----------
        fixed : ndarray, shape (k, p)
        random : ndarray, shape (k, q)

        Returns
        -------
        mean : ndarray, shape (groups, k)
        covariance : ndarray, shape (groups, k, k)
            If rows were independent: mean of the covariances, plus the covariance of the
            means, over the draws.
        """
        groups, k = len(self._data.ZZ), len(fixed)
        mean, square = np.zeros((groups, k)), np.zeros((groups, k, k))
        step = max(1, _MOST_BLOCKS // groups)
        for at in range(0, len(self.sd_), step):
            sd, weight = self.sd_[at : at + step], self.weight_[at : at + step]
            inverse, explained, information, rhs = self._posterior(sd)
            c = random[None] * sd[:, None, :]
            own = np.einsum("bkq,bgqr->bgkr", c, inverse)
            rest = fixed - np.einsum("bkq,bgqp->bgkp", c, explained)
            cover = np.linalg.inv(information)
            beta = np.einsum("bpr,br->bp", cover, rhs)
            Ze = self._data.Ze[None] * sd[:, None, :]
            value = np.einsum("bgkr,bgr->bgk", own, Ze) + np.einsum("bgkp,bp->bgk", rest, beta)
            V = np.einsum("bgkr,blr->bgkl", own, c)
            V += rest @ cover[:, None] @ rest.swapaxes(-1, -2)
            mean += np.einsum("b,bgk->gk", weight, value)
            square += np.einsum("b,bgkl->gkl", weight, V)
            square += np.einsum("b,bgk,bgl->gkl", weight, value, value)
        return mean, square - mean[:, :, None] * mean[:, None, :]


def _active_size(Z: Array) -> Array:
    """Root mean square of each column over the rows where it is not zero."""
    active = np.maximum((Z != 0).sum(axis=0), 1)
    return np.asarray(np.sqrt((Z**2).sum(axis=0) / active))


def _propose(
    fit: PooledLogit, mode: Array, draws: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Standard deviations from a log-t distribution around the mode, and its log density."""
    p, q = len(fit.fixed_names_), len(mode)
    V = fit._information()[p : p + q, p : p + q] / np.outer(mode, mode)
    values, vectors = np.linalg.eigh(0.5 * (V + V.T))
    root = vectors * np.sqrt(np.clip(values, 0.01, 1.0))
    normal = rng.standard_normal((draws, q))
    chi = rng.chisquare(_TAIL_DF, draws) / _TAIL_DF
    steps = normal / np.sqrt(chi)[:, None]
    sd = mode * np.exp(steps @ root.T)
    square = np.sum(steps**2, axis=1)
    return sd, -0.5 * (_TAIL_DF + q) * np.log1p(square / _TAIL_DF)
