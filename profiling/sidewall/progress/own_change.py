"""How a player's curves changed between two periods, without shrinkage.

The tightness model draws a player's curves toward the ladder's. Were the two periods two
players of the model, each would be drawn by itself: with ten matches before and one after,
the period after lies nearer to the ladder's average, and a player far from the average would
seem to change without changing; with as many matches in both, a real change would come out
too small. So the model is fitted once, the player being one player in both periods (what is
true where nothing changed), and the change is estimated beside it from the player's own
shots alone: in each period the player's deviations from the ladder are found by maximum
likelihood, the population's curves held, with the model's match intercepts. Their difference
is not drawn toward zero, and its error hangs on the player's own rallies only.

Where the outcome is the value of the next ball, that value is the period's own: the ball that
comes back after a good length is worth more to a player who has learned to attack it. One
chain for both periods would credit a better attack to the attack alone, and hold it against
the reset: thresholds would seem to fall further than they did.

The level of the player over both periods is the model's (drawn toward the ladder's); the
change is laid around it, in shares of what each period tells, so that level and change are
independent to first order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.rallies.chain import RallyChain
from sidewall.rallies.exchange import ExchangeValues

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["OwnChange", "own_change"]

Array = NDArray[Any]

#: A column moves the log odds by less than about this (0.5 becomes 0.95): keeps estimates of
#: little data finite, and draws on others by next to nothing.
_WIDEST_SD: Final = 3.0
_STEPS: Final = 50
_CHAIN_DRAWS: Final = 100


@dataclass(frozen=True)
class OwnChange:
    """Coefficients of one player's curves, before and after.

    m = cells * 2 * (1 + k), in the order of the model's ``coefficients_``.

    Attributes
    ----------
    before, after : ndarray, shape (m,)
    before_covariance, after_covariance : ndarray, shape (m, m)
        Of each period by itself.
    change_covariance : ndarray, shape (m, m)
        Of after minus before.
    """

    before: Array
    after: Array
    before_covariance: Array
    after_covariance: Array
    change_covariance: Array


@dataclass(frozen=True)
class _Period:
    """A player's deviations in one period: estimate, error, information, chain's effect."""

    effects: Array  # (q,)
    covariance: Array  # (q, q)
    information: Array  # (q, q)
    shifts: Array  # (draws, q)


def own_change(
    model: TightnessModel, player: str, after: NDArray[np.bool_], table: pd.DataFrame
) -> OwnChange:
    """Estimate the change of a player's curves.

    Parameters
    ----------
    model : TightnessModel
        Fitted to the ladder, the player under one name in both periods.
    player : str
    after : ndarray of bool, shape (n,)
        For each row of ``model.used_``, whether its match belongs to the period after.
    table : DataFrame
        The features that the model was fitted to.

    Returns
    -------
    OwnChange

    Notes
    -----
    In a period, with u the player's deviations and m_j match intercepts, weights as in the
    model: the penalised information is ``K = H + P`` (P of the match intercepts), and the
    error covariance ``K^-1 (J + P) K^-1``, J the summed outer products of the rallies'
    scores (Liang & Zeger 1986), times G / (G - q) for G rallies and q columns. Where the
    outcome is the value of the next ball, draws of the chain move both periods at once; in
    that chain the player of the period after is a player of its own.
    """
    used = model.used_
    own = (used["player"].astype(str) == player).to_numpy()
    rows = used[own]
    offset = model.design_.fixed(rows).to_numpy() @ model.fixed_effects_.to_numpy()
    Z = model.design_.random(rows).to_numpy()
    start = model.player_effects_.loc[player].to_numpy()
    weight = model._weights(rows)
    match_sd = model.fit_._unpack(model.fit_.params_)[2] if model.match_effects else 0.0
    outcome, shifts = rows["outcome"].to_numpy(dtype=float), list[Array]()
    if model.outcome == "value":
        matches = set(used.loc[own & after, "match"].astype(str))
        parted = _two_players(table, player, matches)
        chain = RallyChain(model.chain_.states).fit(parted)
        values = ExchangeValues(chain, chain.moves(parted))
        outcome = values.outcome[rows["row"]]
        draws = values.draws(_CHAIN_DRAWS, np.random.default_rng(model.seed))
        shifts = [draw[rows["row"]] for draw in draws]
    periods = []
    told = np.isfinite(outcome)
    for chosen in (~after[own] & told, after[own] & told):
        part = rows[chosen]
        periods.append(
            _fit(
                outcome[chosen],
                offset[chosen],
                Z[chosen],
                weight[chosen],
                part["match"].astype(str).to_numpy(),
                part["rally_id"].to_numpy(),
                abs(float(match_sd)),
                start,
                [shift[chosen] for shift in shifts],
            )
        )
    return _around_the_level(model, player, *periods)


def _two_players(table: pd.DataFrame, player: str, after_matches: set[str]) -> pd.DataFrame:
    """Give the player another name in the matches of the period after."""
    late = table["match"].astype(str).isin(after_matches)
    new = {}
    for who in ("player", "opponent"):
        names = table[who].astype(str)
        # a line break stands in no name of a log
        new[who] = pd.Categorical(names.mask(late & (names == player), f"{player}\nafter"))
    return table.assign(**new)


def _around_the_level(
    model: TightnessModel, player: str, before: _Period, after: _Period
) -> OwnChange:
    i = model.players_.index(player)
    level = model.coefficients_[i].ravel()
    level_covariance = model.coefficient_covariance_[i]
    _, random = model._contrasts
    change = after.effects - before.effects
    moved = after.shifts - before.shifts
    covariance = before.covariance + after.covariance
    if len(moved):
        covariance = covariance + np.cov(moved.T)
    both = before.information + after.information
    share_after = np.linalg.solve(both, after.information)
    share_before = np.eye(len(both)) - share_after
    coefficients, covariances = [], []
    for part in (-share_after, share_before):
        c = random @ part
        coefficients.append(level + c @ change)
        covariances.append(level_covariance + c @ covariance @ c.T)
    return OwnChange(
        coefficients[0],
        coefficients[1],
        covariances[0],
        covariances[1],
        random @ covariance @ random.T,
    )


def _fit(
    y: Array,
    offset: Array,
    Z: Array,
    weight: Array,
    match: Array,
    rally: Array,
    match_sd: float,
    start: Array,
    shifts: list[Array],
) -> _Period:
    """Maximise a player's own likelihood by Newton's method with halved steps."""
    q = Z.shape[1]
    names, which = np.unique(match, return_inverse=True)
    columns = Z
    active = np.sqrt((Z**2).sum(axis=0) / np.maximum((Z != 0).sum(axis=0), 1))
    penalty = (np.where(active > 0, active, 1.0) / _WIDEST_SD) ** 2
    if match_sd > 1e-4:
        columns = np.hstack([Z, (which[:, None] == np.arange(len(names))).astype(float)])
        penalty = np.append(penalty, np.full(len(names), match_sd**-2))
    centre = np.append(start, np.zeros(columns.shape[1] - q))

    def value(theta: Array) -> float:
        eta = offset + columns @ theta
        loss = np.logaddexp(0.0, eta) - y * eta
        return float(weight @ loss + 0.5 * penalty @ (theta - centre) ** 2)

    theta, now = centre, value(centre)
    for _ in range(_STEPS):
        p = expit(offset + columns @ theta)
        gradient = columns.T @ (weight * (y - p)) - penalty * (theta - centre)
        K = (columns * (weight * p * (1.0 - p))[:, None]).T @ columns + np.diag(penalty)
        step, size = np.linalg.solve(K, gradient), 1.0
        while value(theta + size * step) > now + 1e-12 and size > 1e-6:
            size /= 2.0
        theta = theta + size * step
        now = value(theta)
        if np.abs(gradient @ step) < 1e-10:
            break
    p = expit(offset + columns @ theta)
    H = (columns * (weight * p * (1.0 - p))[:, None]).T @ columns
    inverse = np.linalg.inv(H + np.diag(penalty))
    order = np.argsort(rally, kind="stable")
    first = np.flatnonzero(np.r_[True, np.diff(rally[order]) != 0])
    scores = np.add.reduceat((columns * (weight * (y - p))[:, None])[order], first)
    rallies = len(first)
    J = rallies / max(rallies - q, 1) * scores.T @ scores
    error = inverse @ (J + np.diag(penalty)) @ inverse
    moved = [inverse @ (columns.T @ (weight * shift)) for shift in shifts]
    return _Period(
        theta[:q],
        error[:q, :q],
        np.linalg.inv(inverse[:q, :q]),
        np.array(moved).reshape(len(shifts), -1)[:, :q] if shifts else np.zeros((0, q)),
    )
