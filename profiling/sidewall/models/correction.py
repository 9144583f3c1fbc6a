"""What the value of a ball misses, measured against who won, and carried into every answer.

A shot may change something that the description of the ball does not hold, such as an
opponent out of place for two exchanges. Then judging it by the ball that it leaves is biased
by the mean of (result - value) after such shots. That mean is estimated from all players'
shots, attacks and resets apart, as a line in the scaled gap; errors are clustered by rally. The
contrast of attack and reset has a normal prior whose scale is averaged over, so that a
log that shows no contrast pays little for it. The same contrast is the guard (the idea is
Hausman's 1978, Econometrica 46:1251: an efficient against a consistent estimate).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Final, Self

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from sidewall.arguments import Floats
from sidewall.numbers import signed
from sidewall.rallies.value import gap_scale

#: Scale of the half-normal prior on the contrasts' spread, in rallies.
_SCALE: Final = 0.03
#: Spread of what attack and reset may miss alike, in rallies.
_ALIKE: Final = 0.1
_SPREADS: Final = np.linspace(0.0, 0.15, 31)
#: The guard speaks where the contrast would come by chance less often than this.
_SURE: Final = 0.05

# coefficients: reset, reset by gap, attack, attack by gap -> alike (2) and contrast (2)
_TO_CONTRAST: Final = np.array(
    [[1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [-1.0, 0.0, 1.0, 0.0], [0.0, -1.0, 0.0, 1.0]]
)


class Sums:
    """Sums over shots, which the parts of a log add up field by field."""

    @classmethod
    def add_up(cls, parts: Iterable[Self]) -> Self:
        """Sums of all parts of a log."""
        found = list(parts)
        return cls(*(sum(getattr(part, f.name) for part in found) for f in fields(cls)))  # type: ignore[arg-type]


@dataclass(frozen=True)
class MissedSums(Sums):
    """Sums over shots: cross products, right-hand side, and squares of both summed by rally."""

    gg: Floats
    ge: Floats
    squares: Floats  # (20, 20), over rallies: of the right-hand side (4) and of the cross products
    n_shots: int
    n_rallies: int

    @classmethod
    def of(cls, used: pd.DataFrame) -> MissedSums:
        """Add up the usable shots of a table with ``won`` and ``outcome``."""
        missed = used["won"].to_numpy(dtype=float) - used["outcome"].to_numpy(dtype=float)
        attack = (used["choice"] == "attack").to_numpy(dtype=float)
        h = gap_scale(used["gap_m"].to_numpy(dtype=float))
        g = np.column_stack([1 - attack, (1 - attack) * h, attack, attack * h])
        rally = np.unique(used["rally_id"].to_numpy(), return_inverse=True)[1]
        size = int(rally.max(initial=-1)) + 1
        each = [g[:, k] * missed for k in range(4)]
        each += [g[:, k] * g[:, j] for k in range(4) for j in range(4)]
        sums = np.stack([np.bincount(rally, one, size).astype(float) for one in each], axis=1)
        return cls(g.T @ g, g.T @ missed, sums.T @ sums, len(used), size)

    def scores(self, estimate: Floats) -> Floats:
        """Squares of the residuals' scores, summed by rally first, shape (4, 4)."""
        of_rally = np.concatenate([np.eye(4), -np.kron(np.eye(4), estimate)], axis=1)
        return np.asarray(of_rally @ self.squares @ of_rally.T)


class Correction:
    """What the value misses, and how sure that is.

    Parameters
    ----------
    sums : MissedSums

    Attributes
    ----------
    contrast_ : float
        Attack less reset at a usual gap, in rallies: what judging by the ball left behind
        misses of an attack's gain.
    low_, high_ : float
        Its 95% interval, rallies as the independent units, without the prior.
    p_value_ : float
        Of the hypothesis that neither level nor slope of the contrast differs from 0.
    n_shots_, n_rallies_ : int
    """

    def __init__(self, sums: MissedSums) -> None:
        inverse = np.linalg.pinv(sums.gg)
        estimate = inverse @ sums.ge
        self._estimate = _TO_CONTRAST @ estimate
        V = _TO_CONTRAST @ inverse @ sums.scores(estimate) @ inverse @ _TO_CONTRAST.T
        self._covariance = V + 1e-12 * np.eye(4)
        self.n_shots_, self.n_rallies_ = sums.n_shots, sums.n_rallies
        self.contrast_ = float(self._estimate[2])
        error = 1.959963984540054 * float(np.sqrt(V[2, 2]))
        self.low_, self.high_ = self.contrast_ - error, self.contrast_ + error
        d, W = self._estimate[2:], self._covariance[2:, 2:]
        self.p_value_ = float(chdtrc(2, d @ np.linalg.solve(W, d)))

    @property
    def speaks(self) -> bool:
        """Whether the guard speaks: the value misses something."""
        return self.p_value_ < _SURE

    def draws(self, count: int, rng: np.random.Generator) -> Floats:
        """Level and slope to add to the chance of a reset and of an attack, (count, 4)."""
        data = np.linalg.inv(self._covariance)
        log_weight, fits = [], []
        for spread in _SPREADS:
            prior = np.array([_ALIKE, _ALIKE, max(spread, 1e-4), max(spread, 1e-4)])
            V = np.linalg.inv(data + np.diag(prior**-2.0))
            mean = V @ data @ self._estimate
            total = self._covariance + np.diag(prior**2)
            fit = self._estimate @ np.linalg.solve(total, self._estimate)
            log_weight.append(-0.5 * (np.linalg.slogdet(total)[1] + fit + (spread / _SCALE) ** 2))
            fits.append((mean, np.linalg.cholesky(V)))
        weight = np.exp(np.array(log_weight) - max(log_weight))
        which = rng.choice(len(weight), count, p=weight / weight.sum())
        found = np.stack([fits[k][0] + fits[k][1] @ rng.standard_normal(4) for k in which])
        return np.asarray(found @ np.linalg.inv(_TO_CONTRAST).T)

    def words(self) -> str:
        """What the guard says; empty where it is silent."""
        if not self.speaks:
            return ""
        way = "more" if self.contrast_ > 0 else "less"
        return (
            f"judged by the ball they leave, attacks look worth {100 * abs(self.contrast_):.1f} "
            f"rallies in 100 {'too little' if way == 'more' else 'too much'} beside resets (95% "
            f"interval of what is missed {signed(100 * self.low_)} to {signed(100 * self.high_)}, "
            f"{self.n_shots_:,} shots, {self.n_rallies_:,} rallies): a shot changes something "
            "that the log does not hold. The answers allow for it and are wider; chart balance "
            "and the opponent's place"
        )
