"""How strong the players are, from who beats whom: one row a rally, never one a shot.

One player's win is the other's loss, so a rally tells of the difference of two strengths
and of nothing else. Effects of player and match for both sides of a match would count every
rally twice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import expit

from sidewall.arguments import Floats, Ints
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.features.coded import positions
from sidewall.features.parts import Parts

#: Spreads of the strengths that are averaged over, in log odds.
_SPREADS: Final = np.geomspace(0.01, 1.5, 24)
#: With more players one spread is as good as an average over many, and takes no inverses.
_MOST_EXACT: Final = 400


@dataclass(frozen=True)
class RallyCounts:
    """Decided rallies by server and receiver: ``n`` and those that the server ``won``."""

    table: pd.DataFrame

    @classmethod
    def of(cls, features: pd.DataFrame) -> RallyCounts:
        """Count the rallies of a feature table; lets are left out."""
        decided = features[features["won"].notna()]
        first = decided[~decided["rally_id"].duplicated()]  # any shot tells who won
        names = [first[name].astype(str).to_numpy() for name in ("player", "opponent")]
        won, serves = first["won"].to_numpy(dtype=float), first["is_server"].to_numpy(dtype=bool)
        server, receiver = np.where(serves, names, names[::-1])
        won = np.where(serves, won, 1.0 - won)
        rows = pd.DataFrame({"player": server, "opponent": receiver, "n": 1.0, "won": won})
        return cls(rows.groupby(["player", "opponent"])[["n", "won"]].sum().reset_index())

    @classmethod
    def add_up(cls, counts: Iterable[RallyCounts]) -> RallyCounts:
        """Put the counts of a log's parts together."""
        rows = pd.concat([part.table for part in counts])
        return cls(rows.groupby(["player", "opponent"])[["n", "won"]].sum().reset_index())


class Strengths(Estimator):
    r"""Every player's strength on the log-odds scale of winning a rally.

    The quantity is the log odds of winning a rally against an average player of the log,
    serving and receiving alike: ``logit P(i beats j) = c + s_i - s_j``, i serving, with
    ``s ~ N(0, spread^2)`` and the spread under a half-normal prior, averaged over
    (paired comparisons: Bradley & Terry 1952, Biometrika 39:324-345; here with pooling).

    Parameters
    ----------
    prior_scale : float, default 0.3
        Scale of the half-normal prior on the spread, in log odds. Two whose games end 11 to 7
        are 0.45 apart, which is common within a club; a prior of 0.1 makes the intervals of
        such players too short after a match or two (tests/rallies/test_strengths.py).

    Attributes
    ----------
    strength_ : Series
        By player, log odds; they add up to about 0.
    se_ : Series
        Posterior standard deviation of each.
    serve_ : float
        ``c``, what serving is worth.
    covariance_ : ndarray, shape (players, players)
        Of the strengths; with more than 400 players the variances alone.
    spread_ : float
        Posterior mean of the spread.
    n_rallies_ : int

    Examples
    --------
    >>> from sidewall import simulate
    >>> shots = simulate.club_ladder().shots()
    >>> Strengths().fit(shots).strength_.idxmax()  # doctest: +SKIP
    'Laurel'
    """

    _result = "strength_"

    def __init__(self, prior_scale: float = 0.3) -> None:
        self.prior_scale = prior_scale

    def fit(self, shots: pd.DataFrame | Parts) -> Strengths:
        """Estimate from the decided rallies of a log.

        Raises
        ------
        DataError
            When no rally was decided.
        """
        from sidewall.features.parts import as_parts  # noqa: PLC0415

        return self.fit_counts(RallyCounts.add_up(as_parts(shots).each(RallyCounts.of)))

    def fit_counts(self, counts: RallyCounts) -> Strengths:
        """Estimate from rallies that are counted already."""
        rows = counts.table
        if not rows["n"].sum():
            raise DataError(
                "no rally of the log was decided: each is a let or has no winner; "
                "chart who won the rallies"
            )
        names = pd.Index(sorted({*rows["player"], *rows["opponent"]}), name="player")
        one, two = (names.get_indexer(rows[who]) for who in ("player", "opponent"))
        n, won = (rows[c].to_numpy(dtype=float) for c in ("n", "won"))
        pairs = _Pairs(one, two, n, won, len(names))
        if len(names) <= _MOST_EXACT:
            log_weight, found = [], []
            for spread in _SPREADS:
                fit = pairs.fit(spread)
                found.append(fit)
                log_weight.append(fit[3] - 0.5 * (spread / self.prior_scale) ** 2 + np.log(spread))
            weight = np.exp(np.array(log_weight) - max(log_weight))
            weight /= weight.sum()
        else:
            spread = pairs.spread(self.prior_scale)
            found, weight = [pairs.fit(spread, exact=False)], np.ones(1)
        # 9 digits: the same whatever order the parts of a log were added up in
        strength = np.round(sum(w * f[1] for w, f in zip(weight, found, strict=True)), 9)
        if len(weight) > 1:
            pairs_of = zip(weight, found, strict=True)
            second = sum(w * (f[2] + np.outer(f[1], f[1])) for w, f in pairs_of)
            self.covariance_ = np.round(second - np.outer(strength, strength), 9)
        else:
            self.covariance_ = found[0][2]
        variance = np.diag(self.covariance_) if self.covariance_.ndim == 2 else self.covariance_
        self.strength_ = pd.Series(strength, names, name="strength")
        self.se_ = pd.Series(np.sqrt(np.maximum(variance, 0.0)), names, name="se")
        self.serve_ = float(sum(w * f[0] for w, f in zip(weight, found, strict=True)))
        self.spread_ = float(weight @ _SPREADS) if len(weight) > 1 else float(spread)
        self.n_rallies_ = int(rows["n"].sum())
        return self

    def draws(self, count: int, rng: np.random.Generator) -> Floats:
        """Strengths drawn from their posterior, less their estimates, shape (count, players)."""
        normal = rng.standard_normal((count, len(self.strength_)))
        if self.covariance_.ndim == 1:
            return np.asarray(normal * np.sqrt(self.covariance_))
        values, vectors = np.linalg.eigh(self.covariance_)
        return np.asarray((normal * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)

    def difference(self, table: pd.DataFrame) -> Floats:
        """Striker's strength less the opponent's for every shot; 0 for a stranger's."""
        values = np.append(self.strength_.to_numpy(), 0.0)  # position -1 is a stranger
        own, other = (
            values[positions(table[who], self.strength_.index)] for who in ("player", "opponent")
        )
        return np.asarray(own - other)


@dataclass(frozen=True)
class _Pairs:
    """Rallies of every pair, and the fit of strengths under a given spread."""

    one: Ints
    two: Ints
    n: Floats
    won: Floats
    players: int

    def fit(self, spread: float, exact: bool = True) -> tuple[float, Floats, Floats, float]:
        """Serve, strengths, their covariance and the log marginal likelihood (Laplace)."""
        s, c = np.zeros(self.players), 0.0
        for _ in range(50):
            p = expit(c + s[self.one] - s[self.two])
            pull, w = self.won - self.n * p, self.n * p * (1.0 - p)
            gradient = self._to_players(pull, -pull) - s / spread**2
            step = self._solve(w, spread, np.append(gradient, pull.sum()), exact)
            s, c = s + step[:-1], c + step[-1]
            if np.abs(step).max() < 1e-9:
                break
        p = np.clip(expit(c + s[self.one] - s[self.two]), 1e-12, 1 - 1e-12)
        w = self.n * p * (1.0 - p)
        loglik = float(self.won @ np.log(p) + (self.n - self.won) @ np.log1p(-p))
        loglik -= float(s @ s) / (2 * spread**2) + self.players * np.log(spread)
        if not exact:
            level = spread**2 / self.players  # rallies tell differences, not the common level
            return c, s, 1.0 / (self._to_players(w, w) + spread**-2.0) + level, loglik
        H = self._hessian(w, spread)
        inverse = np.linalg.inv(H)
        shape = loglik - 0.5 * float(np.linalg.slogdet(H)[1])
        return c, s, np.asarray(inverse[:-1, :-1]), shape

    def spread(self, prior_scale: float) -> float:
        """Most likely spread of many players, by expectation and maximisation."""
        spread, A2 = prior_scale, prior_scale**2
        for _ in range(30):
            _, s, variance, _ = self.fit(spread, exact=False)
            Q = float((s**2 + variance).sum())
            P = float(self.players)
            spread = float(np.sqrt((np.sqrt(P * P + 4 * Q / A2) - P) * A2 / 2))
        return max(spread, float(_SPREADS[0]))

    def _to_players(self, of_one: Floats, of_two: Floats) -> Floats:
        size = self.players
        found = np.bincount(self.one, of_one, size) + np.bincount(self.two, of_two, size)
        return np.asarray(found, dtype=float)

    def _hessian(self, w: Floats, spread: float) -> Floats:
        size = self.players
        H = np.zeros((size + 1, size + 1))
        np.add.at(H, (self.one, self.two), -w)
        H = H + H.T
        H[np.diag_indices(size)] += self._to_players(w, w) + spread**-2.0
        edge = self._to_players(w, -w)
        H[:size, size] = H[size, :size] = edge
        H[size, size] = w.sum() + 1e-9
        return np.asarray(H, dtype=np.float64)

    def _solve(self, w: Floats, spread: float, right: Floats, exact: bool) -> Floats:
        if exact:
            return np.asarray(np.linalg.solve(self._hessian(w, spread), right), dtype=np.float64)
        from scipy.sparse.linalg import LinearOperator, cg  # noqa: PLC0415

        diagonal = np.append(self._to_players(w, w) + spread**-2.0, w.sum())

        def times(v: Floats) -> Floats:
            pull = w * (v[self.one] - v[self.two] + v[-1])
            return np.append(self._to_players(pull, -pull) + v[:-1] / spread**2, pull.sum())

        size = self.players + 1
        operator = LinearOperator((size, size), matvec=times)
        cheap = LinearOperator((size, size), matvec=lambda v: v / diagonal)
        return np.asarray(cg(operator, right, rtol=1e-10, maxiter=500, M=cheap)[0])
