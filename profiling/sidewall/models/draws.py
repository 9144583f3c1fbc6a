"""Draws of pooled coefficients: players drawn together the more the less their shots say.

For the rows of player i, ``E[y] = x'b + z'u_i``, y normal with known weights (the working
responses of a logistic curve). Coefficients come in groups; those of a group share a spread,
``N(0, spread^2)``, and every spread has a half-t prior with 4 degrees of freedom (Gelman 2006,
Bayesian Analysis 1:515-534). All is drawn by Gibbs sampling with an expanded parameter: a
coefficient is ``alpha_g * xi``, so that a spread near zero does not hold the chain fast
(Gelman, van Dyk, Huang & Boscardin 2008, JCGS 17:95-122). Given the spreads, all players'
coefficients and the common ones are drawn at once: the precision is a block arrow, so a
sweep costs players x q^3. The spreads need no more than some hundred sweeps, and with many
players, where they are well known, fewer still: then each sweep draws the coefficients several
times.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.special import expit, logit

from sidewall.arguments import Floats, Ints
from sidewall.estimator import Estimator

#: Degrees of freedom of the half-t prior on every spread.
_DF: Final = 4.0
_FLAT: Final = -1
#: Precision of a multiplier that is known.
_CERTAIN: Final = 1e8
#: Precision of a coefficient without a prior: no spread of a chance comes near 100.
_FLAT_PRECISION: Final = 1e-4
#: Directions with less information than this share of the most are left out of a ratio.
_TOLD: Final = 1e-6
_CHUNK: Final = 20_000
#: Sweeps of a rough round; before a second one, and before those kept: few, since the spreads
#: begin at those of a round before, or of a fit of like rows.
ROUGH: Final = 60
WARM_ROUGH: Final = 20
WARM: Final = 66
#: Where there are twice so many draws, a sweep draws the coefficients twice, whatever the number
#: of players; the studies of coverage have 400 sweeps.
_ENOUGH: Final = 500
#: Players for each draw of the coefficients in a sweep, and the most draws in one; from two on
#: half as many sweeps beforehand will do.
_PLAYERS_A_DRAW: Final = 20
_MOST_A_SWEEP: Final = 10


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
class Moments:
    """All that the draws take from the rows.

    Attributes
    ----------
    xx, zz, zx : ndarray, shapes (p, p), (players, q, q), (players, q, p)
        Weighted cross products.
    xy, zy : ndarray, shapes (p,) and (players, q)
    xm, zm : ndarray, shapes (p, m) and (players, q, m)
        How the right-hand sides move with the weights of the value of a ball; m may be 0.
    """

    xx: Floats
    zz: Floats
    zx: Floats
    xy: Floats
    zy: Floats
    xm: Floats
    zm: Floats

    @classmethod
    def of(
        cls,
        columns: tuple[Floats, Floats],
        kind: Ints,
        group: Ints,
        groups: int,
        weight: Floats,
        right: Floats,
    ) -> Moments:
        """Add up rows.

        Parameters
        ----------
        columns : tuple of ndarray, shapes (kinds, p) and (kinds, q)
            Common and own columns of every kind of row.
        kind, group : ndarray of int, shape (n,)
            Groups rising.
        groups : int
        weight, right : ndarray, shape (n,)
            Weight of each row, and weight times its response.
        """
        X, Z = columns
        p, q = X.shape[1], Z.shape[1]
        zz, zx = np.zeros((groups, q, q)), np.zeros((groups, q, p))
        zy = np.zeros((groups, q))
        bounds = np.searchsorted(group, np.arange(groups + 1))
        for i, (low, high) in enumerate(pairwise(bounds)):
            for at in range(low, high, _CHUNK):
                some = slice(at, min(at + _CHUNK, high))
                own = Z[kind[some]]
                weighted = own.T * weight[some]
                zz[i] += weighted @ own
                zx[i] += weighted @ X[kind[some]]
                zy[i] += own.T @ right[some]
        xx = (X.T * np.bincount(kind, weight, len(X))) @ X
        xy = X.T @ np.bincount(kind, right, len(X))
        return cls(xx, zz, zx, xy, zy, np.zeros((p, 0)), np.zeros((groups, q, 0)))

    def with_luck(self, variance: Floats) -> Moments:
        """The same with one more own column: the first one again, scaled to a known spread.

        Parameters
        ----------
        variance : ndarray, shape (players,)
            Of what a group's rows share beside the group's own level, such as the luck of
            the rallies they stand in.
        """
        s = np.sqrt(variance)[:, None]
        zz = np.concatenate([self.zz, (s * self.zz[:, 0])[:, :, None]], axis=2)
        last = np.append(s * self.zz[:, 0], s**2 * self.zz[:, 0, :1], axis=1)
        zz = np.concatenate([zz, last[:, None]], axis=1)
        zx, zm = (
            np.concatenate([part, (s[..., None] * part[:, :1])], axis=1)
            for part in (self.zx, self.zm)
        )
        return replace(self, zz=zz, zx=zx, zm=zm, zy=np.append(self.zy, s * self.zy[:, :1], 1))

    def widened(self, factor: float) -> Moments:
        """The same from rows that say less, by a factor of at least 1."""
        names = ("xx", "zz", "zx", "xy", "zy", "xm", "zm")
        return Moments(*(getattr(self, name) / factor for name in names))


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
    for k in range(-(warm if many < 2 else warm // 2), 0):
        chain.sweep(None if shifts is None else shifts[[k % count]])
    for at in range(0, count, each):
        some = slice(at, min(at + each, count))
        found = chain.sweep(None if shifts is None else shifts[some], some.stop - some.start)
        common[some], own[:, some] = found[0], found[1][:, :, :q]
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
        self.diagonal = np.arange(len(groups.own))

    def sweep(self, shifts: Floats | None, count: int = 1) -> tuple[Floats, Floats]:
        """Draw everything once, and the coefficients `count` times.

        Returns
        -------
        common, own : ndarray, shapes (count, p) and (players, count, q)
        """
        m = self.m
        xy, zy = np.tile(m.xy[:, None], count), np.tile(m.zy[:, :, None], count)
        if shifts is not None and m.xm.shape[1]:
            xy, zy = xy + m.xm @ shifts.T, zy + m.zm @ shifts.T
        dx = np.where(self.flat, 1.0, self.alpha[self.g.common])
        dz = self.alpha[self.g.own]
        px = np.where(self.flat, _FLAT_PRECISION, 1.0 / self.tau2[self.g.common])
        betas, xis = self._coefficients(xy, zy, (dx, dz), px)
        common, own = (betas * dx[:, None]).T, (xis * dz[:, None]).swapaxes(1, 2)
        beta, xi = betas[:, -1], xis[:, :, -1]
        self._alphas(xy[:, -1], zy[:, :, -1], beta, xi)
        squares = beta**2 @ self.to_common + (xi**2).sum(axis=0) @ self.to_own
        shape = 0.5 * (_DF + self.members)
        self.tau2 = 0.5 * (_DF + squares) / self.rng.standard_gamma(shape)
        if self.fixed is not None:
            self.tau2[self.fixed] = 1.0
        common[-1] = beta * np.where(self.flat, 1.0, self.alpha[self.g.common])
        own[:, -1] = xi * self.alpha[self.g.own]
        self.spread = np.abs(self.alpha) * np.sqrt(self.tau2)
        return common, own

    def _coefficients(
        self, xy: Floats, zy: Floats, scale: tuple[Floats, Floats], px: Floats
    ) -> tuple[Floats, Floats]:
        """Common and players' coefficients together, in expanded units, some draws of each."""
        m, (dx, dz) = self.m, scale
        p, count = xy.shape
        K = m.zz * (dz[:, None] * dz)
        K[:, self.diagonal, self.diagonal] += 1.0 / self.tau2[self.g.own]
        right = np.concatenate([m.zx * (dz[:, None] * dx), zy * dz[:, None]], axis=2)
        roots = [dpotrf(block.T, lower=1, clean=0, overwrite_a=1)[0] for block in K]
        U = right  # solved in place: to BLAS a row-wise block is its transpose, from the right
        for root, block in zip(roots, U, strict=True):
            dtrsm(1.0, root, block.T, side=1, lower=1, trans_a=1, overwrite_b=1)
        flat = U.reshape(-1, p + count)
        cross = flat[:, :p].T @ flat
        S = m.xx * (dx[:, None] * dx) - cross[:, :p]
        S[np.diag_indices(p)] += px
        root, _ = dpotrf(0.5 * (S + S.T), lower=1)
        mean = dtrtrs(root, xy * dx[:, None] - cross[:, p:], lower=1)[0]
        noise = self.rng.standard_normal((p, count))
        beta = dtrtrs(root, mean + noise, lower=1, trans=1)[0]
        inner = U[..., p:] - U[..., :p] @ beta + self.rng.standard_normal(zy.shape)
        pairs = zip(roots, inner, strict=True)
        return beta, np.stack([dtrtrs(L, one, lower=1, trans=1)[0] for L, one in pairs])

    def _alphas(self, xy: Floats, zy: Floats, beta: Floats, xi: Floats) -> None:
        """The multipliers of all groups, from a regression on what each group adds."""
        m, flat = self.m, np.where(self.flat, beta, 0.0)
        b = np.where(self.flat, 0.0, beta)
        own = (xi[:, :, None] * xi[:, None, :] * m.zz).sum(axis=0)
        pairs = np.einsum("ia,iab->ab", xi, m.zx)
        G = self.to_own.T @ own @ self.to_own
        across = self.to_own.T @ (pairs * b) @ self.to_common
        G += across + across.T
        G += self.to_common.T @ (m.xx * (b[:, None] * b)) @ self.to_common
        right = self.to_own.T @ ((xi * zy).sum(axis=0) - pairs @ flat)
        right += self.to_common.T @ (b * (xy - m.xx @ flat))
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
