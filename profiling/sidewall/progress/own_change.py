"""How a player's curves changed between two periods, without shrinkage.

The tightness model draws a player's curves toward the club's. Were the two periods two
players of the model, each would be drawn by itself: with ten matches before and one after,
the period after lies nearer to the club's average, and a player far from the average would
seem to change without changing; with as many matches in both, a real change would come out
too small. So the model is fitted once, the player being one player in both periods (what is
true where nothing changed), and the change is estimated beside it from the player's own
shots alone: in each period, how far attacks and resets lie from the player's own curves, by
side and contact and along the scaled gap. The difference is not drawn toward zero, and its
error hangs on the player's own rallies only.

Where the outcome is the value of the next ball, that value is the period's own: the player
counts as another one after, with a strength of its own. The level of the player over both
periods is the model's; the change is laid around it, in shares of what each period tells, so
that level and change are independent to first order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from sidewall.arguments import Array, Bools, Ints
from sidewall.log.vocabulary import CHOICES
from sidewall.models.usable import cell_of
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import BallValue, gap_scale, outcomes

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: A column moves the log odds by less than about this (0.5 becomes 0.95): keeps estimates of
#: little data finite, and draws on others by next to nothing.
_WIDEST_SD: Final = 3.0
_STEPS: Final = 8
#: Scale of the prior on the spread of strengths, log odds.
_CHANGE: Final = 0.5


@dataclass(frozen=True)
class Change:
    """How one choice's curve moved, in log odds, by the columns of `change_columns`.

    Attributes
    ----------
    before, after : ndarray, shape (k,)
        Deviations from the player's curve over both periods; ``after - before`` is the change.
    covariance : ndarray, shape (k, k)
        Of the change.
    before_covariance, after_covariance : ndarray, shape (k, k)
        Of the deviations.
    """

    before: Array
    after: Array
    covariance: Array
    before_covariance: Array
    after_covariance: Array


#: By choice.
OwnChange = dict[str, Change]


def change_columns(cell: Ints, gap_m: Array, cells: int) -> Array:
    """A level for each side and contact, and one slope along the scaled gap."""
    return np.column_stack([cell[:, None] == np.arange(cells), gap_scale(gap_m)]).astype(float)


def own_change(model: TightnessModel, player: str, after: Bools, table: pd.DataFrame) -> OwnChange:
    """Estimate the change of a player's curves.

    Parameters
    ----------
    model : TightnessModel
        Fitted to the club, the player under one name in both periods.
    player : str
    after : ndarray of bool, shape (n,)
        For each row of ``model.used_``, whether its match belongs to the period after.
    table : DataFrame
        The features that the model was fitted to.

    Returns
    -------
    dict of str to Change
        By choice.

    Notes
    -----
    In a period, with d the deviations, H the information of the working responses and P a
    weak penalty: ``K = H + P`` and the error covariance ``K^-1 (J + P) K^-1``, J the summed
    outer products of the rallies' scores (Liang & Zeger 1986), times G / (G - k) for G
    rallies and k columns. By value, the error of the value of a ball moves both periods at
    once.
    """
    own = (model.used_["player"].astype(str) == player).to_numpy()
    rows, late = model.used_[own].reset_index(drop=True), after[own]
    y, moved, covariance = rows["outcome"].to_numpy(dtype=float), None, np.zeros((0, 0))
    if model.horizon_ != "rally":
        matches = set(rows.loc[late, "match"].astype(str))
        parted = _two_players(table, player, matches)
        # a wide prior: a player may have changed by more than players of a club differ
        value = BallValue(Strengths(prior_scale=_CHANGE)).fit(parted)
        judged = outcomes(parted, value, model.horizon_)
        at = rows["row"].to_numpy()
        y, ball = judged.outcome[at], judged.ball[at]
        moved = value.columns(parted)[ball]
        moved *= np.where(ball >= 0, judged.sign[at], 0.0)[:, None]
        covariance = value.covariance_
    base = model.posterior_.mean_of(rows)
    cell = cell_of(rows["side"], rows["family"], model.families_)
    columns = change_columns(cell, rows["gap_m"].to_numpy(dtype=float), len(model.cells_))
    found = {}
    for choice in CHOICES:
        mine = (rows["choice"] == choice).to_numpy() & np.isfinite(y)
        periods = []
        for chosen in (mine & ~late, mine & late):
            some = np.flatnonzero(chosen)
            shifts = np.zeros((len(some), 0)) if moved is None else moved[some]
            scale = model.curves_[choice].dispersion
            rally = rows["rally_id"].to_numpy()[some]
            periods.append(_fit(y[some], base[some], columns[some], rally, scale, shifts))
        found[choice] = _around_the_level(periods[0], periods[1], covariance)
    return found


def _two_players(table: pd.DataFrame, player: str, after_matches: set[str]) -> pd.DataFrame:
    """Give the player another name in the matches of the period after."""
    late = table["match"].astype(str).isin(after_matches)
    new = {}
    for who in ("player", "opponent"):
        names = table[who].astype(str)
        # a line break stands in no name of a log
        new[who] = pd.Categorical(names.mask(late & (names == player), f"{player}\nafter"))
    return table.assign(**new)


@dataclass(frozen=True)
class _Period:
    """Deviations in one period: estimate, error, information, and how values move them."""

    deviation: Array  # (k,)
    covariance: Array  # (k, k)
    information: Array  # (k, k)
    moves: Array  # (k, m)


def _fit(y: Array, base: Array, C: Array, rally: Array, scale: float, shifts: Array) -> _Period:
    """A player's deviations by Newton's method."""
    k = C.shape[1]
    P = np.eye(k) / _WIDEST_SD**2
    offset, d = logit(base), np.zeros(k)
    H, p = np.zeros((k, k)), base
    for _ in range(_STEPS):
        p = expit(offset + np.clip(C @ d, -4.0, 4.0))
        H = (C.T * (p * (1.0 - p) / scale)) @ C
        d = d + np.linalg.solve(H + P, C.T @ ((y - p) / scale) - P @ d)
    inverse = np.linalg.inv(H + P)
    code = np.unique(rally, return_inverse=True)[1]
    n = int(code.max(initial=-1)) + 1
    scores = np.zeros((n, k))
    np.add.at(scores, code, C * ((y - p) / scale)[:, None])
    J = n / max(n - k, 1) * scores.T @ scores
    return _Period(d, inverse @ (J + P) @ inverse, H + P, inverse @ (C.T / scale) @ shifts)


def _around_the_level(before: _Period, after: _Period, values: Array) -> Change:
    change = after.deviation - before.deviation
    covariance = before.covariance + after.covariance
    moves = after.moves - before.moves
    if moves.shape[1]:
        covariance = covariance + moves @ values @ moves.T
    share = np.linalg.solve(before.information + after.information, after.information)
    rest = share - np.eye(len(share))
    return Change(
        -share @ change,
        -rest @ change,
        covariance,
        share @ covariance @ share.T,
        rest @ covariance @ rest.T,
    )
