"""Draws of pooled coefficients: players drawn together the more the less their shots say.

For the rows of player i, ``E[y] = x'b + z'u_i``, y normal with known weights (the working
responses of a logistic curve). Coefficients come in groups; those of a group share a spread,
``N(0, spread^2)``, and every spread has a half-t prior with 4 degrees of freedom (Gelman 2006,
Bayesian Analysis 1:515-534). All is drawn by Gibbs sampling with an expanded parameter: a
coefficient is ``alpha_g * xi``, so that a spread near zero does not hold the chain fast
(Gelman, van Dyk, Huang & Boscardin 2008, JCGS 17:95-122). Given the spreads, all players'
coefficients and the common ones are drawn at once: the precision is a block arrow, so a
sweep costs players x q^3, and less where a player's rows are few
(:mod:`sidewall.models.moments`). The spreads need no more than some hundred sweeps, and with
many players, where they are well known, fewer still: then each sweep draws the coefficients
several times.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.special import expit, logit

from sidewall.arguments import Floats, Ints
from sidewall.estimator import Estimator
from sidewall.models.moments import Moments

#: Degrees of freedom of the half-t prior on every spread.
_DF: Final = 4.0
_FLAT: Final = -1
#: Precision of a multiplier that is known.
_CERTAIN: Final = 1e8
#: Precision of a coefficient without a prior: no spread of a chance comes near 100.
_FLAT_PRECISION: Final = 1e-4
#: Directions with less information than this share of the most are left out of a ratio.
_TOLD: Final = 1e-6
#: Sweeps of a rough round; before a second one, and before those kept: few, since the spreads
#: begin at those of a round before, or of a fit of like rows.
ROUGH: Final = 60
WARM_ROUGH: Final = 20
WARM: Final = 66
#: Where there are twice so many draws, a sweep draws the coefficients twice, whatever the number
#: of players; the studies of coverage have 400 sweeps.
_ENOUGH: Final = 500
#: Players for each draw of the coefficients in a sweep, and the most draws in one; the sweeps
#: beforehand are fewer by as much, down to a quarter.
_PLAYERS_A_DRAW: Final = 20
_MOST_A_SWEEP: Final = 50
_FEWER_BEFORE: Final = 4


@dataclass(frozen=True)
class Groups:
    """Which coefficients share a spread.

    Attributes
    ----------
    common, own : ndarray of int, shapes (p,) and (q,)
        Group of each common and each player's coefficient; -1 for a common one without
        a prior.
    names : list of str, length G
    scale : ndarray, shape (G,)
        Scales of the half-t priors.
    """

    common: Ints
    own: Ints
    names: list[str]
    scale: Floats


@dataclass(frozen=True)
class Draws:
    """Draws from the posterior.

    Attributes
    ----------
    common : ndarray, shape (draws, p)
    own : ndarray, shape (players, draws, q), float32
    spread : ndarray, shape (draws, G)
    """

    common: Floats
    own: NDArray[np.float32]
    spread: Floats

    @cached_property
    def mean(self) -> tuple[Floats, Floats]:
        """Posterior means, shapes (p,) and (players, q)."""
        return self.common.mean(axis=0), self.own.mean(axis=1, dtype=np.float64)


def one_thread() -> AbstractContextManager[object]:
    """Keep the libraries that are loaded to one thread.

    On matrices of this size several threads wait for each other longer than they work;
    blocks of groups and parts of a log are what the cores are shared by.
    """
    from threadpoolctl import (  # type: ignore[import-untyped]  # noqa: PLC0415 - slow to load
        threadpool_limits,
    )

    found: AbstractContextManager[object] = threadpool_limits(1)
    return found


def design_effect(scores: Floats, cluster: Ints, information: Floats) -> float:
    """Variance of common scores summed by cluster over that of independent rows.

    Parameters
    ----------
    scores : ndarray, shape (n, p)
        Columns times weighted residuals.
    cluster : ndarray of int, shape (n,)
        The rally, or whatever the rows share.
    information : ndarray, shape (p, p)
        What independent rows would give.
    """
    code = np.unique(cluster, return_inverse=True)[1]
    sums = np.zeros((int(code.max(initial=-1)) + 1, scores.shape[1]))
    np.add.at(sums, code, scores)
    return variance_ratio(sums.T @ sums, information)


def variance_ratio(J: Floats, information: Floats) -> float:
    """Mean of variances over those expected, over the directions that the rows tell of."""
    values, vectors = np.linalg.eigh(information)
    told = values > _TOLD * values[-1]
    seen = np.einsum("ki,kl,li->i", vectors, J, vectors)
    return float((seen[told] / values[told]).mean())


def draw(
    moments: Moments,
    groups: Groups,
    count: int,
    warm: int,
    rng: np.random.Generator,
    shifts: Floats | None = None,
    luck: Floats | None = None,
    start: Floats | None = None,
) -> Draws:
    """Draw coefficients and spreads.

    Parameters
    ----------
    moments, groups
    count, warm : int
        Draws, and sweeps before them.
    rng : numpy.random.Generator
    shifts : ndarray, shape (count, m), optional
        Weights of the value of a ball less their estimate, one for every draw.
    luck : ndarray, shape (players,), optional
        Variance of what a player's rows share and is not the player's; it stands beside the
        first own column, which is the level.
    start : ndarray, shape (G,), optional
        Spreads to begin with, from a fit of like rows; the priors' scales by default.
    """
    players, q = moments.zy.shape
    if luck is None:
        chain = _Chain(moments, groups, rng)
    else:
        own = np.append(groups.own, len(groups.names))
        known = Groups(groups.common, own, [*groups.names, "luck"], np.append(groups.scale, 1.0))
        chain = _Chain(moments.with_luck(luck), known, rng, fixed=len(groups.names))
    if start is not None:
        chain.alpha[: len(start)] = start
    many = min(players // _PLAYERS_A_DRAW, _MOST_A_SWEEP)
    each = int(np.clip(max(many, min(count // _ENOUGH, 2)), 1, count))
    common = np.empty((count, len(moments.xy)))
    own = np.empty((players, count, q), dtype=np.float32)
    spread = np.empty((count, len(groups.names)))
    for k in range(-(warm // int(np.clip(many, 1, _FEWER_BEFORE))), 0):
        chain.sweep(None if shifts is None else shifts[[k % count]], own[:, :1])
    for at in range(0, count, each):
        some = slice(at, at + each)
        common[some] = chain.sweep(None if shifts is None else shifts[some], own[:, some])
        spread[some] = chain.spread[: len(groups.names)]
    return Draws(common, own, spread)


class _Chain:
    """The state of the sampler; the spread of a `fixed` group is known to be 1."""

    def __init__(
        self,
        moments: Moments,
        groups: Groups,
        rng: np.random.Generator,
        fixed: int | None = None,
    ) -> None:
        self.m, self.g, self.rng, self.fixed = moments, groups, rng, fixed
        size = len(groups.names)
        self.alpha, self.tau2 = groups.scale.copy(), np.ones(size)
        self.flat = groups.common == _FLAT
        self.to_common = (groups.common[:, None] == np.arange(size)).astype(float)
        self.to_own = (groups.own[:, None] == np.arange(size)).astype(float)
        players = len(moments.zy)
        self.members = self.to_common.sum(axis=0) + players * self.to_own.sum(axis=0)

    def sweep(self, shifts: Floats | None, own: NDArray[np.float32]) -> Floats:
        """Draw everything once, and the coefficients as often as there is room for.

        Parameters
        ----------
        shifts : ndarray, shape (count, m), optional
        own : ndarray, shape (players, count, q)
            Filled with the players' coefficients.

        Returns
        -------
        ndarray, shape (count, p)
            The common coefficients.
        """
        moved = shifts if self.m.xm.shape[1] else None
        dx = np.where(self.flat, 1.0, self.alpha[self.g.common])
        px = np.where(self.flat, _FLAT_PRECISION, 1.0 / self.tau2[self.g.common])
        betas, xi, (xy, zy) = self._coefficients(moved, own, dx, px)
        common, beta = (betas * dx[:, None]).T, betas[:, -1]
        self._alphas(xy, zy, beta, xi)
        squares = beta**2 @ self.to_common + (xi**2).sum(axis=0) @ self.to_own
        shape = 0.5 * (_DF + self.members)
        self.tau2 = 0.5 * (_DF + squares) / self.rng.standard_gamma(shape)
        if self.fixed is not None:
            self.tau2[self.fixed] = 1.0
        common[-1] = beta * np.where(self.flat, 1.0, self.alpha[self.g.common])
        own[:, -1] = (xi * self.alpha[self.g.own])[:, : own.shape[2]]
        self.spread = np.abs(self.alpha) * np.sqrt(self.tau2)
        return np.asarray(common)

    def _coefficients(
        self, shifts: Floats | None, own: NDArray[np.float32], dx: Floats, px: Floats
    ) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
        """Common and players' coefficients together, some draws of each; `own` is filled.

        Returns
        -------
        betas : ndarray, shape (p, count)
            In expanded units.
        xi : ndarray, shape (players, q)
            The last of the players', in expanded units.
        right : tuple of ndarray, shapes (p,) and (players, q)
            Right-hand sides of the last.
        """
        m, p, count = self.m, len(dx), own.shape[1]
        dz = self.alpha[self.g.own]
        units = dz, dx, self.tau2[self.g.own]
        xy = np.tile(m.xy[:, None], count)
        xy = xy if shifts is None else xy + m.xm @ shifts.T
        last, cross, samplers = np.empty(m.zy.shape), np.zeros((p, p + count)), []
        for block in m.blocks:
            zy = np.tile(m.zy[block.player, :, None], count)
            if shifts is not None:
                moves = m.zm[block.player].reshape(-1, shifts.shape[1]) @ shifts.T
                zy = zy + moves.reshape(zy.shape)
            taken, sample = block.eliminate(units, zy)
            cross += taken
            last[block.player] = zy[:, :, -1]
            samplers.append(sample)
        S = m.xx * (dx[:, None] * dx) - cross[:, :p]
        S[np.diag_indices(p)] += px
        root, _ = dpotrf(0.5 * (S + S.T), lower=1)
        mean = dtrtrs(root, xy * dx[:, None] - cross[:, p:], lower=1)[0]
        noise = self.rng.standard_normal((p, count))
        beta = dtrtrs(root, mean + noise, lower=1, trans=1)[0]
        xi = np.empty(m.zy.shape)
        for block, sample in zip(m.blocks, samplers, strict=True):
            drawn = sample(beta, self.rng)
            xi[block.player] = drawn[:, -1]
            drawn *= dz
            own[block.player] = drawn[..., : own.shape[2]]
        return beta, xi, (xy[:, -1], last)

    def _alphas(self, xy: Floats, zy: Floats, beta: Floats, xi: Floats) -> None:
        """The multipliers of all groups, from a regression on what each group adds."""
        m, flat = self.m, np.where(self.flat, beta, 0.0)
        b = np.where(self.flat, 0.0, beta)
        member = self.to_own, self.to_common
        G = self.to_common.T @ (m.xx * (b[:, None] * b)) @ self.to_common
        right = self.to_own.T @ (xi * zy).sum(axis=0)
        right += self.to_common.T @ (b * (xy - m.xx @ flat))
        for block in m.blocks:
            own, across, taken = block.regressed(xi[block.player], b, flat, member)
            G += own + across + across.T
            right -= taken
        prior = self.g.scale**-2.0
        if self.fixed is not None:  # all but certain
            prior[self.fixed] = _CERTAIN
            right[self.fixed] += _CERTAIN
        G[np.diag_indices(len(G))] += prior
        root, _ = dpotrf(G, lower=1)
        mean = dtrtrs(root, right, lower=1)[0] + self.rng.standard_normal(len(right))
        self.alpha = dtrtrs(root, mean, lower=1, trans=1)[0]


class LogitDraws(Estimator):
    """Logistic regression whose coefficients vary by group, drawn.

    ``logit P(success) = offset + x'b + z'u_g``. The likelihood is taken as normal around the
    mode (working responses, linearised anew twice); where rows come in clusters, such as the
    shots of a rally, and their scores vary more than those of independent rows, the draws are
    wider by as much.

    Parameters
    ----------
    groups : Groups
        Which coefficients share a spread, and the prior scales.
    draws : int, default 1000
    seed : int or numpy.random.Generator, default 0

    Attributes
    ----------
    draws_ : Draws
    groups_ : ndarray
        Labels of the groups, in the order of ``draws_.own``.
    design_effect_ : float

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> player = np.repeat(np.arange(20), 50)
    >>> p = 1 / (1 + np.exp(-rng.normal(0, 0.8, 20)[player]))
    >>> one = np.ones((1000, 1))
    >>> level = Groups(np.array([-1]), np.array([0]), ["player"], np.array([0.5]))
    >>> fit = LogitDraws(level).fit(rng.random(1000) < p, one, one, player)
    >>> fit.draws_.own.shape
    (20, 1000, 1)
    """

    _asks, _result = "y, X, Z, group", "draws_"

    def __init__(
        self, groups: Groups, draws: int = 1000, seed: int | np.random.Generator = 0
    ) -> None:
        self.groups = groups
        self.draws = draws
        self.seed = seed

    def fit(
        self,
        y: ArrayLike,
        X: Floats,
        Z: Floats,
        group: ArrayLike,
        offset: Floats | None = None,
        cluster: ArrayLike | None = None,
    ) -> LogitDraws:
        """Draw the coefficients.

        Parameters
        ----------
        y : array-like, shape (n,)
            Outcomes from 0 to 1.
        X, Z : ndarray, shapes (n, p) and (n, q)
            Common columns, the intercept first, and the columns that vary by group.
        group : array-like, shape (n,)
        offset : ndarray, shape (n,), optional
            Known log odds.
        cluster : array-like, shape (n,), optional
            Rows of one cluster are not independent.
        """
        rng = np.random.default_rng(self.seed)
        self.groups_, code = np.unique(np.asarray(group), return_inverse=True)
        order = np.argsort(code, kind="stable")
        y, X, Z, code = np.asarray(y, dtype=float)[order], X[order], Z[order], code[order]
        known = np.zeros(len(y)) if offset is None else offset[order]
        common = np.zeros(X.shape[1])
        common[0] = logit(np.clip(y.mean(), 0.02, 0.98))
        own = np.zeros((len(self.groups_), Z.shape[1]))
        rows, start, warm = np.arange(len(y)), None, ROUGH
        for last in (False, False, True):
            eta = np.clip(X @ common + np.einsum("nq,nq->n", Z, own[code]), -6.0, 6.0)
            p = expit(eta + known)
            w = p * (1.0 - p)
            moments = Moments.of((X, Z), rows, code, len(own), w, y - p + w * eta)
            if last:
                break
            found = draw(moments, self.groups, ROUGH, warm, rng, start=start)
            start, warm = found.spread.mean(axis=0), WARM_ROUGH
            common, own = found.mean
        self.design_effect_ = 1.0
        if cluster is not None:
            of_row = np.asarray(cluster)[order]
            self.design_effect_ = design_effect(X * (y - p)[:, None], of_row, moments.xx)
        moments = moments.widened(max(self.design_effect_, 1.0))
        self.draws_ = draw(moments, self.groups, self.draws, WARM, rng, start=start)
        return self
