"""Draw players' transition rows toward the ladder's, as far as the data say they agree."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

Array = NDArray[np.float64]

_LEAST, _MOST = 1.0, 1e6


def log_marginal(alpha: float, counts: Array, mean: Array) -> float:
    """Log likelihood of rows of counts under a Dirichlet-multinomial.

    Parameters
    ----------
    alpha : float
        Concentration: how many observations the mean is worth.
    counts : ndarray, shape (players, k)
    mean : ndarray, shape (k,)
        Positive probabilities.
    """
    n = counts.sum(axis=1)
    prior = alpha * mean
    return float(
        np.sum(gammaln(alpha) - gammaln(alpha + n))
        + np.sum(gammaln(prior + counts) - gammaln(prior))
    )


def concentration(counts: Array) -> float:
    """Concentration that maximises the marginal likelihood, the mean being the total's.

    Empirical Bayes for a Dirichlet-multinomial (Good 1965, The Estimation of
    Probabilities; Minka 2000, Estimating a Dirichlet distribution). Kept between 1 and
    one million; the upper end means that no difference between players shows.
    """
    from scipy.optimize import minimize_scalar  # noqa: PLC0415 - slow to load

    total = counts.sum(axis=0)
    met = total > 0
    rows = counts[counts.sum(axis=1) > 0][:, met]
    if len(rows) < 2 or met.sum() < 2:
        return _MOST
    mean = total[met] / total.sum()
    best = minimize_scalar(
        lambda log_alpha: -log_marginal(np.exp(log_alpha), rows, mean),
        bounds=(np.log(_LEAST), np.log(_MOST)),
        method="bounded",
    )
    return float(np.exp(best.x))


def pooled_rows(counts: Array, alpha: Array) -> Array:
    """Posterior mean of every player's transition rows.

    Parameters
    ----------
    counts : ndarray, shape (..., players, s, k)
    alpha : ndarray, shape (s,)

    Returns
    -------
    ndarray, shape (..., players, s, k)
        Rows add up to 1; a row of zeros where nobody was ever in the state.
    """
    prior = alpha[:, None] * ladder_rows(counts)
    n = counts.sum(axis=-1, keepdims=True)
    known = prior.sum(axis=-1, keepdims=True)[..., None, :, :] > 0
    rows = (counts + prior[..., None, :, :]) / (n + alpha[:, None])
    return np.where(known, rows, 0.0)


def ladder_rows(counts: Array) -> Array:
    """Transition rows of all players together, shape (..., s, k)."""
    total = counts.sum(axis=-3)
    n = total.sum(axis=-1, keepdims=True)
    return np.divide(total, n, out=np.zeros_like(total), where=n > 0)


def draw_rows(counts: Array, alpha: Array, draws: int, rng: np.random.Generator) -> Array:
    """Draw every player's rows from their posterior, shape (draws, players, s, k).

    The ladder's row is drawn first, from a Dirichlet around its own counts, then the
    players' rows around it: where players hardly differ (a large concentration), what is
    not known about the ladder is most of what is not known at all.
    """
    ladder = _dirichlet(np.broadcast_to(counts.sum(axis=0), (draws, *counts.shape[1:])), rng)
    return _dirichlet(counts + alpha[:, None] * ladder[:, None], rng)


def _dirichlet(shape: Array, rng: np.random.Generator) -> Array:
    """Draw Dirichlet rows; a shape of zero stays zero, and so does a row of zeros."""
    gamma = rng.standard_gamma(shape)
    n = gamma.sum(axis=-1, keepdims=True)
    return np.divide(gamma, n, out=np.zeros_like(gamma), where=n > 0)
