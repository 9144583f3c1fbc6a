"""Draw players' transition rows toward the ladder's, as far as the data say they agree.

In two steps. A player's margins come first: how often, over all balls, the player wins,
loses and leaves each kind of ball, against what the ladder would from the same balls.
They tilt the ladder's rows into the rows to expect of this player. Then each row of the
player's own counts is drawn toward the expected one. Rows alone, each pooled by itself,
would hide in their noise that one player is simply stronger than another.

Both steps are empirical Bayes: a gamma prior on the margins' ratios (Clayton & Kaldor
1987, Biometrics 43:671-681) and a Dirichlet prior on the rows (Good 1965, The Estimation
of Probabilities), their strengths by maximum marginal likelihood.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import gammaln

from sidewall.arguments import Array

_LEAST, _MOST = 1.0, 1e6


def ladder_rows(counts: Array) -> Array:
    """Transition rows of all players together, shape (..., s, k).

    Parameters
    ----------
    counts : ndarray, shape (..., players, s, k)
    """
    return _normalised(counts.sum(axis=-3))


def _normalised(rows: Array) -> Array:
    n = rows.sum(axis=-1, keepdims=True)
    return np.divide(rows, n, out=np.zeros_like(rows), where=n > 0)


def _margins(counts: Array, ladder: Array) -> tuple[Array, Array]:
    """Seen and expected counts of every outcome by player, shape (..., players, k)."""
    expected = np.einsum("...ps,...sk->...pk", counts.sum(axis=-1), ladder)
    return counts.sum(axis=-2), expected


@dataclass(frozen=True)
class Pooling:
    """Strengths of the two priors.

    `alpha`, (s,), is how many shots the expected row of a state is worth; `kappa`, (k,), how many
    expected counts a ratio of one is worth, by outcome.
    """

    alpha: Array
    kappa: Array

    @classmethod
    def fit(cls, counts: Array) -> Pooling:
        """Estimate both strengths from counts of shape (players, s, k)."""
        ladder = ladder_rows(counts)
        seen, expected = _margins(counts, ladder)
        kappa = np.array([ratio_strength(*pair) for pair in zip(seen.T, expected.T, strict=True)])
        expect = _tilted(ladder, (seen + kappa) / (expected + kappa))
        alpha = [row_strength(counts[:, k], expect[:, k]) for k in range(counts.shape[1])]
        return cls(np.array(alpha), kappa)

    def rows(self, counts: Array) -> Array:
        """Posterior mean of every player's rows of counts, (..., players, s, k).

        Rows add up to 1; a row of zeros where nobody was ever in the state.
        """
        ladder = ladder_rows(counts)
        seen, expected = _margins(counts, ladder)
        expect = _tilted(ladder, (seen + self.kappa) / (expected + self.kappa))
        return _normalised(counts + self.alpha[:, None] * expect)

    def draw(self, counts: Array, draws: int, rng: np.random.Generator) -> Array:
        """Draw every player's rows from their posterior, shape (draws, players, s, k)."""
        return np.stack(list(self.draws(counts, draws, rng)))

    def draws(self, counts: Array, draws: int, rng: np.random.Generator) -> Iterator[Array]:
        """Draws one by one, each of shape (players, s, k).

        The ladder's rows are drawn first, then the players' ratios, then their rows.
        """
        total = np.broadcast_to(counts.sum(axis=0), (draws, *counts.shape[1:]))
        ladders = _normalised(rng.standard_gamma(total))
        seen = counts.sum(axis=-2)
        shape = np.broadcast_to(seen + self.kappa, (draws, *seen.shape))
        ratios = rng.standard_gamma(shape)
        for ladder, ratio in zip(ladders, ratios, strict=True):
            _, expected = _margins(counts, ladder)
            expect = _tilted(ladder, ratio / (expected + self.kappa))
            yield _normalised(rng.standard_gamma(counts + self.alpha[:, None] * expect))


def _tilted(ladder: Array, ratio: Array) -> Array:
    """Expected rows of every player, shape (..., players, s, k)."""
    return _normalised(ladder[..., None, :, :] * ratio[..., None, :])


def _strongest(log_likelihood: Any) -> float:
    """The strength, between 1 and a million, of the highest marginal likelihood."""
    from scipy.optimize import minimize_scalar  # noqa: PLC0415 - slow to load

    best = minimize_scalar(
        lambda log_strength: -log_likelihood(np.exp(log_strength)),
        bounds=(np.log(_LEAST), np.log(_MOST)),
        method="bounded",
    )
    return float(np.exp(best.x))


def log_marginal(alpha: float, counts: Array, mean: Array) -> float:
    """Log likelihood of rows of counts, (players, k), under a Dirichlet-multinomial.

    `alpha` is how many observations the mean is worth; means are positive where counts are.
    """
    n = counts.sum(axis=1)
    prior = np.where(mean > 0, alpha * mean, 1.0)
    rows = np.where(mean > 0, gammaln(prior + counts) - gammaln(prior), 0.0)
    return float(np.sum(gammaln(alpha) - gammaln(alpha + n)) + np.sum(rows))


def row_strength(counts: Array, mean: Array) -> float:
    """Concentration of players' rows, (players, k), around their expected ones, in one state.

    A million where no difference shows, or there is nobody to tell it by.
    """
    met = counts.sum(axis=1) > 0
    if met.sum() < 2:
        return _MOST
    return _strongest(lambda alpha: log_marginal(alpha, counts[met], mean[met]))


def ratio_strength(seen: Array, expected: Array) -> float:
    """Shape of the gamma prior on ratios of seen to expected counts, (players,).

    Counts are Poisson given the ratio, so that they are negative binomial.
    """
    met = expected > 0
    if met.sum() < 2:
        return _MOST
    o, e = seen[met], expected[met]

    def log_likelihood(kappa: float) -> float:
        return float(
            np.sum(
                gammaln(o + kappa)
                - gammaln(kappa)
                + kappa * np.log(kappa / (kappa + e))
                + o * np.log(e / (kappa + e))
            )
        )

    return _strongest(log_likelihood)
