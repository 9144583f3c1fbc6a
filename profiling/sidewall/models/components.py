"""Average over what is not known about the variance components.

With ten players the spread between players is known badly, and a plug-in estimate of it
makes intervals too short. Under a flat prior on each standard deviation (Gelman 2006,
Bayesian Analysis 1:515-534) the penalty ``sd_shape = 2`` gives the mode on the log scale.
Draws around that mode are weighted by the marginal likelihood of the standard deviations
(importance sampling), and every estimate and covariance is averaged over them. Where few
draws carry the weight, the proposal is moved to where they are and drawn from anew
(adaptive importance sampling: Cappe, Guillin, Marin & Robert 2004, Journal of Computational
and Graphical Statistics 13:907-929).

The likelihood of the rows is taken as normal around the fitted mode (working responses),
which makes the marginal likelihood of any standard deviations a matter of small matrices.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.models.kinds import cross_by, sum_by
from sidewall.models.pooled_logit import PooledLogit

Array = NDArray[Any]

_TAIL_DF = 6.0
#: The proposal is moved, this often at most, until its draws are worth this share of them.
_TURNS, _ENOUGH = 6, 0.2
#: Largest spread between groups looked at, log odds, and in scales of its prior.
_MOST_SPREAD, _MOST_SCALES = 50.0, 20.0
#: Draws flattened until they are worth this share tell where to move it.
_LEAST_SHARE = 0.1
#: Trial draws times groups, and the fewest and most trial draws.
_TRIAL_BLOCKS, _TRIAL_DRAWS = 250_000, (250, 1_000)
#: Least variance of a log standard deviation; a thousand groups know it to 0.0005.
_LEAST_SPREAD = 1e-5
#: Matrices held at once: draws times groups.
_MOST_BLOCKS = 4_000


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
    rows, mode, at = fit._rows_, fit._mode, fit._rows_.layout
    sigma = fit._unpack(fit.params_)[2]
    response = mode.weight * mode.eta + mode.residual  # weight times working response
    Xc, Zc, by_cell = rows.X[at.kind], rows.Z[at.kind], rows.by_cell(response)
    w_kind = rows.by_kind(mode.cell_weight)[:, None]
    XX, Xe = rows.X.T @ (rows.X * w_kind), rows.X.T @ rows.by_kind(by_cell)
    Zw = Zc * mode.cell_weight[:, None]
    ZX, ZZ = cross_by(Zw, Xc, at.group_start), cross_by(Zw, Zc, at.group_start)
    Ze = sum_by(Zc * by_cell[:, None], at.group_start)
    if at.subgroup is not None and sigma != 0.0:
        xw = rows.columns_by_subgroup(mode.weight, rows.X)
        share = (sigma**2 / mode.d)[:, None]
        ew = rows.by_subgroup(response)[:, None]
        first = at.group_subgroup_start
        XX, Xe = XX - xw.T @ (share * xw), Xe - (xw * share * ew).sum(axis=0)
        ZX = ZX - cross_by(share * mode.zw, xw, first)
        ZZ = ZZ - cross_by(share * mode.zw, mode.zw, first)
        Ze = Ze - sum_by(share * mode.zw * ew, first)
    return Working(XX, ZX, ZZ, Xe, Ze)


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
            self._spread, self._prior = _active_size(fit), prior_scale
            # by all rows, or by the small matrices where there are very many
            known = fit._found.covariance_guess is None
            V = _log_covariance(fit, mode) if known else self._curvature(mode)
            middle, V = self._adapted(np.log(mode), V, rng)
            self.sd_, log_weight = self._draw(middle, V, draws, rng)
            self.weight_ = _weights(log_weight)
        self.effective_draws_ = _worth(self.weight_)

    def _draw(
        self, middle: Array, V: Array, draws: int, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Draws of the standard deviations and their log weights."""
        sd, log_proposal = _propose(V, middle, draws, rng)
        log_target = np.concatenate([self._log_target(sd[some]) for some in self._slices(draws)])
        return sd, log_target - log_proposal

    def _slices(self, draws: int) -> list[slice]:
        """Draws, few enough at a time to stay small."""
        step = max(1, _MOST_BLOCKS // len(self._data.ZZ))
        return [slice(at, at + step) for at in range(0, draws, step)]

    def _adapted(self, middle: Array, V: Array, rng: np.random.Generator) -> tuple[Array, Array]:
        """Middle and covariance of the logs, moved until the draws are of even worth."""
        draws = int(np.clip(_TRIAL_BLOCKS // len(self._data.ZZ), *_TRIAL_DRAWS))
        for _ in range(_TURNS):
            sd, log_weight = self._draw(middle, V, draws, rng)
            if _worth(_weights(log_weight)) > _ENOUGH * draws:
                break
            weight, logs = _weights(log_weight, _LEAST_SHARE), np.log(sd)
            middle = weight @ logs
            V = (logs - middle).T @ ((logs - middle) * weight[:, None])
        return middle, V

    def _log_target(self, sd: Array) -> Array:
        """Log posterior density of the logs of the standard deviations."""
        spread = sd * self._spread
        # beyond the bound the prior leaves nothing, and the small matrices would overflow
        bound = min(_MOST_SPREAD, _MOST_SCALES * self._prior)
        widest: Array = spread.max(axis=1)
        kept = sd * (bound / np.maximum(widest, bound))[:, None]
        prior = np.log(sd).sum(axis=1) - 0.5 * np.sum((spread / self._prior) ** 2, axis=1)
        return np.where(widest > bound, -np.inf, self._log_marginal(kept) + prior)

    def _curvature(self, mode: Array) -> Array:
        """Covariance of the logs, by second differences of the target at the mode."""
        q, step = len(mode), 0.05
        move = step * np.eye(q)
        ends = [
            [self._log_target(np.exp(np.log(mode) + a * one + b * move))
             for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
            for one in move
        ]  # fmt: skip
        H = np.array([pp - pm - mp + mm for pp, pm, mp, mm in ends]) / (4.0 * step**2)
        values, vectors = np.linalg.eigh(-0.5 * (H + H.T))
        return (vectors / np.maximum(values, 1.0)) @ vectors.T

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
        flat, p = (len(sd), -1, data.XX.shape[0]), (0, 2, 1)
        information = data.XX - ZX.reshape(flat).transpose(p) @ explained.reshape(flat)
        Ze = (data.Ze[None] * scale).reshape(len(sd), -1, 1)
        rhs = data.Xe - (explained.reshape(flat).transpose(p) @ Ze)[..., 0]
        return inverse, explained, information, rhs

    def _log_marginal(self, sd: Array) -> Array:
        inverse, _, information, rhs = self._posterior(sd)
        Ze = (self._data.Ze[None] * sd[:, None, :])[..., None]
        fit = np.sum(Ze * (inverse @ Ze), axis=(1, 2, 3))
        fit += np.einsum("bp,bp->b", rhs, np.linalg.solve(information, rhs[..., None])[..., 0])
        logdet = -np.linalg.slogdet(inverse)[1].sum(axis=1) + np.linalg.slogdet(information)[1]
        return np.asarray(0.5 * (fit - logdet))

    def effects(self, fit: PooledLogit) -> tuple[pd.Series, pd.DataFrame]:
        """Averaged fixed effects, and random effects by group, named as in the fit."""
        groups, q = self._data.Ze.shape
        fixed, random = np.zeros(len(fit.fixed_names_)), np.zeros((groups, q))
        for some in self._slices(len(self.sd_)):
            sd, weight = self.sd_[some], self.weight_[some]
            inverse, explained, information, rhs = self._posterior(sd)
            beta = np.linalg.solve(information, rhs[..., None])
            Ze = (self._data.Ze[None] * sd[:, None, :])[..., None]
            own = (inverse @ Ze - explained @ beta[:, None])[..., 0] * sd[:, None, :]
            fixed += weight @ beta[..., 0]
            random += np.tensordot(weight, own, 1)
        named = pd.Series(fixed, fit.fixed_names_, name="estimate")
        return named, pd.DataFrame(random, fit.groups_, fit.random_names_)

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
        for some in self._slices(len(self.sd_)):
            sd, weight = self.sd_[some], self.weight_[some]
            inverse, explained, information, rhs = self._posterior(sd)
            c = (random[None] * sd[:, None, :])[:, None]
            own = c @ inverse
            rest = fixed - c @ explained
            cover = np.linalg.inv(information)
            beta = cover @ rhs[..., None]
            Ze = (self._data.Ze[None] * sd[:, None, :])[..., None]
            value = (own @ Ze + rest @ beta[:, None])[..., 0]
            V = own @ c.swapaxes(-1, -2) + rest @ cover[:, None] @ rest.swapaxes(-1, -2)
            mean += np.tensordot(weight, value, 1)
            square += np.tensordot(weight, V, 1)
            by_group = value.transpose(1, 2, 0)
            square += (by_group * weight) @ by_group.swapaxes(1, 2)
        return mean, square - mean[:, :, None] * mean[:, None, :]


def _active_size(fit: PooledLogit) -> Array:
    """Root mean square of each column of Z over the distinct rows where it is not zero."""
    rows = fit._rows_
    met = rows.mean_square((rows.Z != 0).astype(float))
    return np.asarray(np.sqrt(rows.mean_square(rows.Z) / np.where(met > 0, met, 1.0)))


def _log_covariance(fit: PooledLogit, mode: Array) -> Array:
    """Covariance of the logs of the standard deviations, by the fit."""
    p, q = len(fit.fixed_names_), len(mode)
    return np.asarray(fit._information()[p : p + q, p : p + q] / np.outer(mode, mode))


def _worth(weight: Array) -> float:
    """How many even weights these are worth (Kish)."""
    return float(1.0 / np.sum(weight**2))


def _weights(log_weight: Array, least: float = 0.0) -> Array:
    """Weights adding up to 1, flattened by a power until worth a share of their number."""
    low, high = 0.0, 1.0
    for k in range(30):
        power = high if k == 0 else 0.5 * (low + high)
        weight = np.exp(power * (log_weight - log_weight.max()))
        weight = weight / weight.sum()
        even = _worth(weight) >= least * len(weight)
        if k == 0 and even:
            break
        low, high = (power, high) if even else (low, power)
    return weight


def _propose(V: Array, middle: Array, draws: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Standard deviations from a log-t distribution, and its log density but for a constant."""
    q = len(middle)
    values, vectors = np.linalg.eigh(0.5 * (V + V.T))
    root = vectors * np.sqrt(np.clip(values, _LEAST_SPREAD, 1.0))
    normal = rng.standard_normal((draws, q))
    chi = rng.chisquare(_TAIL_DF, draws) / _TAIL_DF
    steps = normal / np.sqrt(chi)[:, None]
    sd = np.exp(middle + steps @ root.T)
    square = np.sum(steps**2, axis=1)
    return sd, -0.5 * (_TAIL_DF + q) * np.log1p(square / _TAIL_DF)
