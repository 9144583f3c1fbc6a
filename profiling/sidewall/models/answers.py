"""Answers read off one set of draws: curves, thresholds, the rule, the shot to play.

A *cell* is a side and a way of meeting the ball. Within it a player meets balls in several
places and situations and plays several strokes; a curve "by nothing" is the mean chance over
the player's own mix of them, one mix for all gaps, so that the curve tells what the gap does
and not who met which balls. Since all answers come from the same draws, they cannot
contradict one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.log.vocabulary import CHOICES
from sidewall.models.counted import sums_by
from sidewall.models.curves import side_and_volley
from sidewall.models.usable import cell_of
from sidewall.rallies.value import BEND_M, gap_scale

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[np.float64]

CROSSES: Final = "crosses"
ALWAYS_ATTACK: Final = "attack at any gap"
ALWAYS_RESET: Final = "reset at any gap"
NOT_KNOWN: Final = "not known yet"

#: Own attacks and own resets that an answer about a player takes.
LEAST_OWN: Final = 5
#: The share of draws that must say attack for the rule to say so: a little looser than the
#: even chance, since better play later raises what the own ball is worth.
RULE_SHARE: Final = 0.65
#: The usual mix stands for so many shots of the player's own.
_MIX_SHOTS: Final = 20.0
_GRID: Final = 49

#: With fewer players than this the draws are weighed by a weak prior on the club's threshold.
_FEW_PLAYERS: Final = 4
_CLUB_M, _CLUB_SCALE_M = 0.50, 0.15


class Mix:
    """Which shots a player plays, and in which situations: the weights of a mean curve.

    Parameters
    ----------
    model : TightnessModel
    """

    def __init__(self, model: TightnessModel) -> None:
        counted = model.counted_
        names = ["side", "family", "choice", "stroke", *model.situation_]
        kinds = counted.kinds[names]
        code = np.zeros(len(kinds), dtype=np.int64)
        for name in names:
            code = code * (len(kinds[name].cat.categories) + 1) + kinds[name].cat.codes + 1
        _, first, place = np.unique(code, return_index=True, return_inverse=True)
        self.table = kinds.iloc[first].reset_index(drop=True)
        players = np.searchsorted(np.unique(counted.player), counted.player)
        size = len(self.table)
        n = sums_by(players * size + place[counted.kind], counted.n, len(model.players_) * size)
        self.n = n.reshape(-1, size)
        self.cell = cell_of(self.table["side"], self.table["family"], model.families_)
        self.choice = self.table["choice"].cat.codes.to_numpy()
        here = np.zeros(size, dtype=np.int64)
        for name in model.situation_:
            here = here * (len(self.table[name].cat.categories) + 1)
            here += self.table[name].cat.codes.to_numpy() + 1
        self._ball = np.unique(self.cell * (here.max(initial=0) + 1) + here, return_inverse=True)[1]

    def weights(
        self, choice: int, where: NDArray[np.bool_] | None = None, stroke: str | None = None
    ) -> Array:
        """Share of every kind of shot within its cell and one choice, (1 + players, kinds).

        The club comes first. A player's shares are drawn toward the club's, which stands
        for 20 shots: first that of the situation within the cell, then that of the shot
        within choice and situation.

        Parameters
        ----------
        choice : int
            Position in ``CHOICES``.
        where : ndarray of bool, shape (kinds,), optional
            Situations to keep; the others weigh nothing.
        stroke : str, optional
            This stroke in every situation, in place of the player's own strokes.
        """
        n = np.concatenate([self.n.sum(axis=0, keepdims=True), self.n])
        ball, cell = self._ball, self.cell
        of_ball = _sums(n, ball)
        cell_of_ball = np.zeros(of_ball.shape[1], dtype=np.int64)
        cell_of_ball[ball] = cell
        share = _drawn(of_ball, _sums(of_ball, cell_of_ball)[:, cell_of_ball])
        mine = np.where(self.choice == choice, n, 0.0)
        if stroke is None:
            shot = _drawn(mine, _sums(mine, ball)[:, ball])
        else:
            shot = ((self.choice == choice) & (self.table["stroke"] == stroke)).to_numpy(float)
        weight = share[:, ball] * shot
        if where is not None:
            weight = np.where(where, weight, 0.0)
        total = _sums(weight, cell)[:, cell]
        return np.divide(weight, total, out=np.zeros_like(weight), where=total > 0)


def _sums(values: Array, code: NDArray[np.int64]) -> Array:
    out = np.zeros((len(values), int(code.max(initial=-1)) + 1))
    np.add.at(out.T, code, values.T)
    return out


def _drawn(part: Array, whole: Array) -> Array:
    """Own shares drawn toward the first row's."""
    club = np.divide(part[:1], whole[:1], out=np.zeros_like(part[:1]), where=whole[:1] > 0)
    return (part + _MIX_SHOTS * club) / (whole + _MIX_SHOTS)


class Posterior:
    """Draws of every curve of a fitted model.

    Parameters
    ----------
    model : TightnessModel
    """

    def __init__(self, model: TightnessModel) -> None:
        self.model, self.mix = model, Mix(model)
        self._words = {
            choice: model.curves_[choice].columns.words(self.mix.table) for choice in CHOICES
        }

    @cached_property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.model.curves_["attack"].draws.common)

    @cached_property
    def grids(self) -> list[Array]:
        """Gaps of every cell, from 0 to the widest met, closer where balls are tight."""
        widest = self.model.gap_max_m().to_numpy()
        return [BEND_M * np.expm1(np.linspace(0, np.log1p(w / BEND_M), _GRID)) for w in widest]

    def win(
        self,
        player: int,
        cell: int,
        choice: str,
        gaps_m: Array,
        where: NDArray[np.bool_] | None = None,
        stroke: str | None = None,
    ) -> Array:
        """Draws of the chance of winning, shape (draws, gaps).

        Parameters
        ----------
        player : int
            Position; -1 is the club: an average player with the club's mix.
        cell : int
        choice : str
        gaps_m : ndarray, shape (gaps,)
        where : ndarray of bool, shape (kinds,), optional
            Situations in the mix; all by default.
        stroke : str, optional
            The stroke; the player's own mix of strokes by default.
        """
        fitted = self.model.curves_[choice]
        table = self.mix.table
        weight = self._weights(choice, where, stroke)[player + 1]
        rows = np.flatnonzero((self.mix.cell == cell) & (weight > 0))
        if not len(rows):
            return np.full((self.n_draws, len(gaps_m)), np.nan)
        weight, words = weight[rows], self._words[choice][rows]
        side, volley = (part[:1] for part in side_and_volley(table.iloc[rows]))
        mean = weight @ words
        eta = self.eta(choice, player, gaps_m, side[0], volley[0], mean)
        bend = self._mean_of_chances(fitted, player, gaps_m, (side[0], volley[0]), weight, words)
        return np.clip(expit(eta) + bend + self.corrected(choice, gaps_m), 0.0, 1.0)

    def _weights(
        self, choice: str, where: NDArray[np.bool_] | None, stroke: str | None
    ) -> Array:
        key = (choice, None if where is None else where.tobytes(), stroke)
        if key not in self._known:
            self._known[key] = self.mix.weights(CHOICES.index(choice), where, stroke)
        return self._known[key]

    @cached_property
    def _known(self) -> dict[Any, Array]:
        return {}

    def eta(
        self, choice: str, player: int, gaps_m: Array, side: float, volley: float, words: Array
    ) -> Array:
        """Draws of the log odds for shots of the same words, shape (draws, gaps)."""
        fitted = self.model.curves_[choice]
        ball = _ball(gaps_m, side, volley, words)
        eta = fitted.draws.common @ fitted.columns.common(*ball).T
        if player >= 0:
            own = fitted.draws.own[player]
            eta += own @ fitted.columns.own(*ball).T
            eta += self.model.lead_[player]
        return np.asarray(eta)

    def corrected(self, choice: str, gaps_m: Array) -> Array:
        """What the value misses, shape (draws, gaps); 0 by rally."""
        if not hasattr(self.model, "corrections_"):
            return np.zeros((1, len(gaps_m)))
        level, slope = self.model.corrections_[:, 2 * (choice == "attack") :][:, :2].T
        return level[:, None] + slope[:, None] * gap_scale(gaps_m)

    def _mean_of_chances(
        self,
        fitted: Any,
        player: int,
        gaps_m: Array,
        cell: tuple[float, float],
        weight: Array,
        words: Array,
    ) -> Array:
        """Mean chance of the mix less the chance of its mean, at the posterior mean."""
        if len(weight) == 1:
            return np.zeros(len(gaps_m))
        common, own = fitted.draws.mean
        some = np.concatenate([words, (weight @ words)[None]])
        gap = np.tile(gaps_m, len(some))
        described = np.repeat(some, len(gaps_m), axis=0)
        ball = _ball(gap, *cell, described)
        eta = fitted.columns.common(*ball) @ common
        if player >= 0:
            eta += fitted.columns.own(*ball) @ own[player] + self.model.lead_[player]
        chance = expit(eta).reshape(len(some), -1)
        return np.asarray(weight @ chance[:-1] - chance[-1])

    def gain(
        self,
        player: int,
        cell: int,
        gaps_m: Array,
        where: NDArray[np.bool_] | None = None,
        stroke: str | None = None,
    ) -> Array:
        """Draws of the gain of attacking over resetting, shape (draws, gaps).

        A `stroke` is the attack's; the resets are the player's own mix.
        """
        attack = self.win(player, cell, "attack", gaps_m, where, stroke)
        return attack - self.win(player, cell, "reset", gaps_m, where)


def _ball(gaps_m: Array, side: float, volley: float, words: Array) -> tuple[Array, ...]:
    n = len(gaps_m)
    described = words if words.ndim == 2 else np.broadcast_to(words, (n, len(words)))
    return gaps_m, np.full(n, side), np.full(n, volley), described


@dataclass(frozen=True)
class Threshold:
    """An answer about one player and cell.

    Attributes
    ----------
    status : str
        ``crosses``, ``attack at any gap``, ``reset at any gap`` or ``not known yet``.
    gap_m : float
        The threshold: median of the draws; NaN unless it crosses.
    low_m, high_m : float
        Ends of the interval. When the answer is not known yet, one end may be: below
        `low_m` resetting is better, above `high_m` attacking is.
    """

    status: str
    gap_m: float = float("nan")
    low_m: float = float("nan")
    high_m: float = float("nan")


def crossings(gain: Array, gaps_m: Array) -> Array:
    """Gap at which each draw's gain turns positive for good; -inf always, inf never."""
    below = gain <= 0
    last = gain.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    nowhere = ~below.any(axis=1)
    at = np.minimum(last, gain.shape[1] - 2)
    rows = np.arange(len(gain))
    low, high = gain[rows, at], gain[rows, at + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        found = gaps_m[at] - low / (high - low) * (gaps_m[at + 1] - gaps_m[at])
    found = np.where(below[:, -1], np.inf, found)
    return np.where(nowhere, -np.inf, found)


def threshold_of(crossing: Array, level: float) -> Threshold:
    """The answer that draws of a crossing give."""
    ordered = np.sort(crossing)
    n = len(ordered)
    cut = 0.5 * (1.0 - level)
    low, high = ordered[int(np.floor(cut * (n - 1)))], ordered[int(np.ceil((1 - cut) * (n - 1)))]
    if high == -np.inf:
        return Threshold(ALWAYS_ATTACK)
    if low == np.inf:
        return Threshold(ALWAYS_RESET)
    ends = float(low) if np.isfinite(low) else np.nan, float(high) if np.isfinite(high) else np.nan
    if np.isnan(ends).any():
        return Threshold(NOT_KNOWN, low_m=ends[0], high_m=ends[1])
    return Threshold(CROSSES, float(np.median(crossing)), *ends)


@dataclass(frozen=True)
class Asked:
    """One combination of levels of what an answer is given by."""

    told: dict[str, str]
    where: NDArray[np.bool_] | None
    stroke: str | None


def asked(posterior: Posterior, by: Sequence[str]) -> list[Asked]:
    """Every combination of levels that `by` asks for; one that asks for nothing without `by`."""
    model, table = posterior.model, posterior.mix.table
    found = [Asked({}, None, None)]
    for name in by:
        if name == "stroke":
            strokes = model.curves_["attack"].columns.strokes
            found = [replace(a, told={**a.told, name: s}, stroke=s) for a in found for s in strokes]
            continue
        masks = {level: (table[name] == level).to_numpy() for level in model.situation_[name]}
        found = [
            replace(a, told={**a.told, name: level}, where=m if a.where is None else a.where & m)
            for a in found
            for level, m in masks.items()
        ]
    return found
