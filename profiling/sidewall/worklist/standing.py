r"""Where a player stands on the ladder in one thing, drawn toward the others as far as noise asks.

A player's mean residual r comes with an error s from the redrawn rallies. Players differ by
a spread tau, ``truth ~ N(mu, tau^2)``, so that the best guess is ``mu + k (r - mu)`` with
``k = tau^2 / (tau^2 + s^2)`` and variance ``k s^2`` (Efron & Morris 1975, JASA 70:311-319).
Without this, whoever was unluckiest in something would seem to have most to gain there. What
is not known of tau and mu is drawn too: tau from its marginal likelihood with mu integrated
out (flat), times a half-normal prior, as Gelman 2006 (Bayesian Analysis 1:515-534); mu
given tau. A draw of a player's standing is the best guess under a drawn tau plus
``sqrt(k)`` times the redrawn rallies' departure, so that items which rest on the same
rallies move together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import logsumexp

from sidewall.arguments import Array, Bools, Ints
from sidewall.worklist.ladder import Ladder

#: Own shots, and rallies that they come from, below which nothing is said of a player.
LEAST_SHOTS: Final = 30
LEAST_RALLIES: Final = 15

_GRID: Final = 60


@dataclass(frozen=True)
class Standing:
    """Standings of all players in one thing.

    Attributes
    ----------
    known : ndarray of bool, shape (players,)
        Players with enough shots.
    n, rallies : ndarray of int, shape (players,)
    raw : ndarray, shape (players,)
        Mean residual as charted.
    drawn : ndarray, shape (draws, players)
        Draws of the mean residual, drawn toward the others; missing where not known.
    a_game : ndarray, shape (draws, players)
        Such shots a game.
    """

    known: Bools
    n: Ints
    rallies: Ints
    raw: Array
    drawn: Array
    a_game: Array


def pooled_draws(raw: Array, drawn: Array, scale: float, rng: np.random.Generator) -> Array:
    """Draws of standings, shape (draws, players), from charted means and redrawn ones.

    Parameters
    ----------
    raw : ndarray, shape (players,)
    drawn : ndarray, shape (draws, players)
        The same means in redrawn rallies.
    scale : float
        Of the half-normal prior on the spread between players.
    rng : numpy.random.Generator
    """
    draws, players = drawn.shape
    # a tiny floor: a player without a single error would else count as known exactly
    error = np.maximum(drawn.std(axis=0, ddof=1), 0.02 * scale)
    tau = np.linspace(0.0, 4.0 * scale, _GRID + 1)[1:]
    V = tau[:, None] ** 2 + error**2
    precision = np.sum(1.0 / V, axis=1)
    mean = np.sum(raw / V, axis=1) / precision
    log = -0.5 * (np.log(V).sum(axis=1) + np.log(precision))
    log -= 0.5 * np.sum((raw - mean[:, None]) ** 2 / V, axis=1) + 0.5 * (tau / scale) ** 2
    weight = np.exp(log - logsumexp(log))
    at = np.searchsorted(np.cumsum(weight), rng.permutation((np.arange(draws) + 0.5) / draws))
    at = np.minimum(at, _GRID - 1)
    mu = mean[at] + rng.standard_normal(draws) / np.sqrt(precision[at])
    k = tau[at, None] ** 2 / V[at]
    if players == 1:
        return drawn
    return np.asarray(
        mu[:, None] + k * (raw - mu[:, None]) + np.sqrt(k) * (drawn - drawn.mean(axis=0))
    )


def standing(
    ladder: Ladder,
    row: Array,
    total: Array,
    total_drawn: Array,
    scale: float,
    rng: np.random.Generator,
) -> Standing:
    """Standings of all players from the residuals of some shots.

    Parameters
    ----------
    ladder : Ladder
    row : ndarray of int, shape (m,)
        Rows of the shots.
    total : ndarray, shape (players,)
        Sums of their values minus what is to be expected.
    total_drawn : ndarray, shape (draws, players)
        The same in redrawn rallies.
    scale : float
        Of the prior on the spread between players, in the residuals' unit.
    rng : numpy.random.Generator
    """
    n, n_drawn = ladder.sums(row, np.ones(len(row)))
    pairs = np.unique(ladder.player[row] * ladder.weights.shape[1] + ladder.rally[row])
    rallies = np.bincount(pairs // ladder.weights.shape[1], minlength=len(ladder.names))
    known = (n >= LEAST_SHOTS) & (rallies >= LEAST_RALLIES)
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = total / n
        mean_drawn = np.where(n_drawn > 0, total_drawn / n_drawn, raw)
        a_game = n_drawn / ladder.games
    drawn = np.full(mean_drawn.shape, np.nan)
    if known.any():
        drawn[:, known] = pooled_draws(raw[known], mean_drawn[:, known], scale, rng)
    return Standing(known, n.astype(np.int64), rallies, raw, drawn, a_game)
