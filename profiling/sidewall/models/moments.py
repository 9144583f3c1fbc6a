"""What the draws take from the rows: sums over each player's rows, or the rows where they are few.

Given the spreads, a player's q coefficients are normal with precision ``K = T^-1 + Z'Z``, rows
scaled by the root of their weight. Many rows are summed into Z'Z, and K is factored. Where the
r rows are few, only matrices of r rows are factored, by ``K^-1 = T - T Z'(I + Z T Z')^-1 Z T``, and
the draw is one of the prior, corrected by what the rows say against it (Bhattacharya,
Chakraborty & Mallick 2016, Biometrika 103:985-991).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf, dtrtrs

from sidewall.arguments import Floats, Ints

_CHUNK: Final = 20_000
#: Players with few rows that are drawn together.
_TOGETHER: Final = 60

#: What to eliminate the players' coefficients from: scales of own and common coefficients,
#: and the variance of the own ones in expanded units.
Units = tuple[Floats, Floats, Floats]
#: Draws the own coefficients, given the common ones, shape (k, count, q).
Sampler = Callable[[Floats, np.random.Generator], NDArray[np.floating[Any]]]
#: X, Z and the weight of rows.
_Rows = tuple[Floats, Floats, Floats]


@dataclass(frozen=True)
class SummedRows:
    """Players whose rows are many: their cross products.

    Attributes
    ----------
    player : ndarray of int, shape (k,)
        Their positions.
    zz, zx : ndarray, shapes (k, q, q) and (k, q, p)
    """

    player: Ints
    zz: Floats
    zx: Floats

    @classmethod
    def of(cls, player: Ints, rows: Callable[[int], Iterator[_Rows]]) -> SummedRows:
        """Add up every player's rows."""
        X, Z, _ = next(rows(player[0]))
        p, q = X.shape[1], Z.shape[1]
        zz, zx = np.zeros((len(player), q, q)), np.zeros((len(player), q, p))
        for k, i in enumerate(player):
            for X, Z, weight in rows(i):
                weighted = Z.T * weight
                zz[k] += weighted @ Z
                zx[k] += weighted @ X
        return cls(player, zz, zx)

    @property
    def level(self) -> Floats:
        """Square of the first own column."""
        return self.zz[:, 0, 0]

    def with_luck(self, scale: Floats) -> SummedRows:
        """One more own column: the first one again, scaled."""
        s = scale[self.player, None]
        zz = np.concatenate([self.zz, (s * self.zz[:, 0])[:, :, None]], axis=2)
        last = np.append(s * self.zz[:, 0], s**2 * self.zz[:, 0, :1], axis=1)
        zx = np.concatenate([self.zx, s[..., None] * self.zx[:, :1]], axis=1)
        return SummedRows(self.player, np.concatenate([zz, last[:, None]], axis=1), zx)

    def widened(self, factor: float) -> SummedRows:
        """The same from rows that say less."""
        return SummedRows(self.player, self.zz / factor, self.zx / factor)

    def eliminate(self, units: Units, zy: Floats) -> tuple[Floats, Sampler]:
        """What the players' coefficients take from the common ones, shape (p, p + count).

        Parameters
        ----------
        units
        zy : ndarray, shape (k, q, count)
            Right-hand sides of these players.
        """
        dz, dx, variance = units
        p, q = len(dx), np.arange(len(dz))
        K = self.zz * (dz[:, None] * dz)
        K[:, q, q] += 1.0 / variance
        U = np.concatenate([self.zx * (dz[:, None] * dx), zy * dz[:, None]], axis=2)
        roots = [dpotrf(block.T, lower=1, clean=0, overwrite_a=1)[0] for block in K]
        # solved in place: to BLAS a row-wise block is its transpose, from the right
        for root, block in zip(roots, U, strict=True):
            dtrsm(1.0, root, block.T, side=1, lower=1, trans_a=1, overwrite_b=1)
        flat = U.reshape(-1, U.shape[2])

        def sample(beta: Floats, rng: np.random.Generator) -> Floats:
            inner = U[..., p:] - U[..., :p] @ beta + rng.standard_normal(zy.shape)
            pairs = zip(roots, inner, strict=True)
            return np.stack([dtrtrs(L, one, lower=1, trans=1)[0].T for L, one in pairs])

        return flat[:, :p].T @ flat, sample

    def regressed(
        self, xi: Floats, b: Floats, flat: Floats, member: tuple[Floats, Floats]
    ) -> tuple[Floats, Floats, Floats]:
        """Products of what each group adds: own by own, own by common, own by the flat part."""
        to_own, to_common = member
        own = (xi[:, :, None] * xi[:, None, :] * self.zz).sum(axis=0)
        pairs = np.einsum("ia,iab->ab", xi, self.zx)
        across = to_own.T @ (pairs * b) @ to_common
        return to_own.T @ own @ to_own, across, to_own.T @ (pairs @ flat)


@dataclass(frozen=True)
class FewRows:
    """Players whose rows are fewer than half their coefficients: the rows themselves.

    Attributes
    ----------
    player : ndarray of int, shape (k,)
        Their positions.
    Z, X : ndarray, shapes (k, r, q) and (k, r, p)
        Rows times the root of their weight; zeros below where a player has fewer than r.
    """

    player: Ints
    Z: Floats
    X: Floats

    @classmethod
    def of(cls, player: Ints, rows: Callable[[int], Iterator[_Rows]]) -> FewRows:
        """Stack every player's rows."""
        found = [next(rows(i)) for i in player]
        most = max(len(weight) for _, _, weight in found)
        X, Z = (np.zeros((len(found), most, found[0][k].shape[1])) for k in (0, 1))
        for k, (x, z, weight) in enumerate(found):
            root = np.sqrt(weight)[:, None]
            X[k, : len(root)], Z[k, : len(root)] = x * root, z * root
        return cls(player, Z, X)

    @property
    def level(self) -> Floats:
        """Square of the first own column."""
        return np.asarray((self.Z[..., 0] ** 2).sum(axis=1))

    def with_luck(self, scale: Floats) -> FewRows:
        """One more own column: the first one again, scaled."""
        luck = scale[self.player, None, None] * self.Z[..., :1]
        return FewRows(self.player, np.append(self.Z, luck, axis=2), self.X)

    def widened(self, factor: float) -> FewRows:
        """The same from rows that say less."""
        root = np.sqrt(factor)
        return FewRows(self.player, self.Z / root, self.X / root)

    def eliminate(self, units: Units, zy: Floats) -> tuple[Floats, Sampler]:
        """As for many rows, by matrices of r rows; the draws themselves in single precision."""
        dz, dx, variance = units
        Z, X = self.Z * dz, self.X * dx
        spread = Z * variance
        inverse = np.linalg.inv(np.eye(Z.shape[1]) + spread @ Z.swapaxes(1, 2))
        drift = zy.swapaxes(1, 2) * (dz * variance)
        taken = [X - inverse @ X, inverse @ (Z @ drift.swapaxes(1, 2))]
        right = np.concatenate(taken, axis=2).reshape(-1, len(dx) + zy.shape[2])

        def sample(beta: Floats, rng: np.random.Generator) -> NDArray[np.float32]:
            xi = rng.standard_normal(drift.shape, dtype=np.float32)
            xi *= np.sqrt(variance).astype(np.float32)
            xi += drift
            off = xi @ Z.swapaxes(1, 2).astype(np.float32)
            off += (X @ beta).swapaxes(1, 2)
            off += rng.standard_normal(off.shape, dtype=np.float32)
            xi -= off @ (inverse @ spread).astype(np.float32)
            return xi

        return X.reshape(-1, len(dx)).T @ right, sample

    def regressed(
        self, xi: Floats, b: Floats, flat: Floats, member: tuple[Floats, Floats]
    ) -> tuple[Floats, Floats, Floats]:
        """As for many rows."""
        to_own, to_common = member
        own = ((self.Z * xi[:, None]) @ to_own).reshape(-1, to_own.shape[1])
        X = self.X.reshape(-1, len(b))
        return own.T @ own, own.T @ (X @ (b[:, None] * to_common)), own.T @ (X @ flat)


@dataclass(frozen=True)
class Moments:
    """All that the draws take from the rows.

    Attributes
    ----------
    xx, xy : ndarray, shapes (p, p) and (p,)
        Weighted cross products.
    zy : ndarray, shape (players, q)
    blocks : tuple of SummedRows and FewRows
        The players' own cross products, or their rows; every player is in one.
    xm, zm : ndarray, shapes (p, m) and (players, q, m)
        How the right-hand sides move with the weights of the value of a ball; m may be 0.
    """

    xx: Floats
    xy: Floats
    zy: Floats
    blocks: tuple[SummedRows | FewRows, ...]
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
        bounds = np.searchsorted(group, np.arange(groups + 1))

        def rows(i: int) -> Iterator[_Rows]:
            low, high = bounds[i], bounds[i + 1]
            for at in range(low, max(high, low + 1), _CHUNK):
                some = slice(at, min(at + _CHUNK, high))
                yield X[kind[some]], Z[kind[some]], weight[some]

        zy = np.zeros((groups, q))
        for i in range(groups):
            for at in range(bounds[i], bounds[i + 1], _CHUNK):
                some = slice(at, min(at + _CHUNK, bounds[i + 1]))
                zy[i] += Z[kind[some]].T @ right[some]
        count = np.diff(bounds)
        many, few = np.flatnonzero(2 * count > q), np.flatnonzero(2 * count <= q)
        few = few[np.argsort(count[few], kind="stable")]
        blocks: list[SummedRows | FewRows] = [SummedRows.of(many, rows)] if len(many) else []
        for at in range(0, len(few), _TOGETHER):
            blocks.append(FewRows.of(few[at : at + _TOGETHER], rows))
        xx = (X.T * np.bincount(kind, weight, len(X))) @ X
        xy = X.T @ np.bincount(kind, right, len(X))
        none = np.zeros((p, 0)), np.zeros((groups, q, 0))
        return cls(xx, xy, zy, tuple(blocks), *none)

    @property
    def level(self) -> Floats:
        """Square of every player's first own column, shape (players,)."""
        found = np.zeros(len(self.zy))
        for block in self.blocks:
            found[block.player] = block.level
        return found

    def with_luck(self, variance: Floats) -> Moments:
        """The same with one more own column: the first one again, scaled to a known spread.

        Parameters
        ----------
        variance : ndarray, shape (players,)
            Of what a group's rows share beside the group's own level, such as the luck of
            the rallies they stand in.
        """
        s = np.sqrt(variance)
        zm = np.append(self.zm, s[:, None, None] * self.zm[:, :1], axis=1)
        zy = np.append(self.zy, s[:, None] * self.zy[:, :1], axis=1)
        blocks = tuple(block.with_luck(s) for block in self.blocks)
        return replace(self, blocks=blocks, zm=zm, zy=zy)

    def widened(self, factor: float) -> Moments:
        """The same from rows that say less, by a factor of at least 1."""
        names = ("xx", "xy", "zy", "xm", "zm")
        less = {name: getattr(self, name) / factor for name in names}
        return Moments(**less, blocks=tuple(block.widened(factor) for block in self.blocks))
