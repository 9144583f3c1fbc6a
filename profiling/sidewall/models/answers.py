"""Answers read off one set of draws: curves, thresholds, the rule, the shot to play.

A *cell* is a side and a way of meeting the ball. Within it a player meets balls in several
places and situations and plays several strokes; a curve "by nothing" is the mean chance over
the player's own mix of them, one mix for all gaps, so that the curve tells what the gap does
and not who met which balls. Since all answers come from the same draws, they cannot
contradict one another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from sidewall.arguments import Bools, Floats, Ints, check_gaps_m, check_lengths_m, check_words
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError
from sidewall.features.coded import need_columns, positions
from sidewall.log.vocabulary import CHOICES, SIDES, STROKES, VOCABULARY
from sidewall.models.counted import ALL_STROKES
from sidewall.models.curves import side_and_volley
from sidewall.models.mix import Mix
from sidewall.models.usable import cell_of
from sidewall.rallies.value import BEND_M, gap_scale

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: Words of every column in the order in which tables list them.
WORDS: Final = {"depth": DEPTHS, **VOCABULARY}

CROSSES: Final = "crosses"
ALWAYS_ATTACK: Final = "attack at any gap"
ALWAYS_RESET: Final = "reset at any gap"
NOT_KNOWN: Final = "not known yet"

#: Own attacks and own resets that an answer about a player takes.
LEAST_OWN: Final = 5
#: The share of draws that must say attack for the rule to say so: a little looser than the
#: even chance, since better play later raises what the own ball is worth.
RULE_SHARE: Final = 0.65
#: How much easier attacked balls may be than the log says, in rallies (common practice, no
#: source), and the usual error of a charted gap in metres.
UNSEEN: Final = (0.01, 0.03)
GAP_ERROR_M: Final = 0.05
_GRID: Final = 49
_CHUNK: Final = 1_000

#: With fewer players than this the draws are weighed by a weak prior on the club's threshold.
FEW_PLAYERS: Final = 4
_CLUB_M, _CLUB_SCALE_M = 0.50, 0.15


class Posterior:
    """Draws of every curve of a fitted model.

    Parameters
    ----------
    model : TightnessModel
    """

    def __init__(self, model: TightnessModel) -> None:
        self.model, self.mix = model, Mix(model)
        self._side, self._volley = side_and_volley(self.mix.table)
        self._words = {
            choice: model.curves_[choice].columns.words(self.mix.table) for choice in CHOICES
        }

    @cached_property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.model.curves_["attack"].draws.common)

    @cached_property
    def grids(self) -> list[Floats]:
        """Gaps of every cell, from 0 to the widest met, closer where balls are tight."""
        widest = self.model.gap_max_m().to_numpy()
        return [BEND_M * np.expm1(np.linspace(0, np.log1p(w / BEND_M), _GRID)) for w in widest]

    def win(
        self,
        player: int,
        cell: int,
        choice: str,
        gaps_m: Floats,
        where: Bools | None = None,
        stroke: str | None = None,
    ) -> Floats:
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
        weight = self._weights(choice, where, stroke)[player + 1]
        rows = np.flatnonzero((self.mix.cell == cell) & (weight > 0))
        if not len(rows):
            return np.full((self.n_draws, len(gaps_m)), np.nan)
        weight, words = weight[rows], self._words[choice][rows]
        side, volley = self._side[rows[0]], self._volley[rows[0]]
        win = self._win(choice, player, _ball(gaps_m, side, volley, weight @ words))
        bend = self._mean_of_chances(fitted, player, gaps_m, (side, volley), weight, words)
        return np.clip(win + bend, 0.0, 1.0)

    def _weights(self, choice: str, where: Bools | None, stroke: str | None) -> Floats:
        key = (choice, None if where is None else where.tobytes(), stroke)
        if key not in self._known:
            self._known[key] = self.mix.weights(CHOICES.index(choice), where, stroke)
        return self._known[key]

    @cached_property
    def _known(self) -> dict[Any, Floats]:
        return {}

    def _win(self, choice: str, player: int, ball: tuple[Floats, ...]) -> Floats:
        """Draws of the chance of winning with given shots, shape (draws, n)."""
        fitted = self.model.curves_[choice]
        eta = fitted.draws.common @ fitted.columns.common(*ball).T
        if player >= 0:
            eta += fitted.draws.own[player] @ fitted.columns.own(*ball).T
            eta += (self.model.lead_[player] + self.model.lead_draws_[:, player])[:, None]
        return np.asarray(expit(eta) + self.corrected(choice, ball[0]))

    def corrected(self, choice: str, gaps_m: Floats) -> Floats:
        """What the value misses, shape (draws, gaps); 0 by rally."""
        if not hasattr(self.model, "corrections_"):
            return np.zeros((1, len(gaps_m)))
        level, slope = self.model.corrections_[:, 2 * (choice == "attack") :][:, :2].T
        return level[:, None] + slope[:, None] * gap_scale(gaps_m)

    def _mean_corrected(self, choice: str, gaps_m: Floats) -> Floats:
        if not hasattr(self.model, "corrections_"):
            return np.zeros(len(gaps_m))
        level, slope = self.model.corrections_.mean(axis=0)[2 * (choice == "attack") :][:2]
        return np.asarray(level + slope * gap_scale(gaps_m))

    def _side_and_volley(self, table: pd.DataFrame) -> tuple[Floats, Floats]:
        """As the fit saw them: nothing of the volley where families were put together."""
        side, volley = side_and_volley(table)
        together = self.model.families_ == (ALL_STROKES,)
        return side, np.zeros_like(volley) if together else volley

    def _mean_of_chances(
        self,
        fitted: Any,
        player: int,
        gaps_m: Floats,
        cell: tuple[float, float],
        weight: Floats,
        words: Floats,
    ) -> Floats:
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

    def sure(self, gain: Floats, gaps_m: Floats) -> Floats:
        """Share of draws in which attacking is surely better, by gap, shape (gaps,).

        Widened by what no draw holds: attacked balls were easier than the log says by 1 to 3
        rallies in 100, and the charted gap is off by 5 cm (standard deviation).
        """
        easier = np.linspace(*UNSEEN, len(gain))[:, None]
        share = (gain > easier).mean(axis=0)
        reset = (gain < 0.0).mean(axis=0)
        off = GAP_ERROR_M * ndtri((np.arange(9) + 0.5) / 9)
        at = np.clip(gaps_m[:, None] + off, gaps_m[0], gaps_m[-1])
        attack = np.interp(at, gaps_m, share).mean(axis=1)
        return np.asarray(
            np.where(share >= 0.5, attack, 1.0 - np.interp(at, gaps_m, reset).mean(axis=1))
        )

    def gain(
        self,
        player: int,
        cell: int,
        gaps_m: Floats,
        where: Bools | None = None,
        stroke: str | None = None,
    ) -> Floats:
        """Draws of the gain of attacking over resetting, shape (draws, gaps).

        A `stroke` is the attack's; the resets are the player's own mix.
        """
        attack = self.win(player, cell, "attack", gaps_m, where, stroke)
        return attack - self.win(player, cell, "reset", gaps_m, where)

    def between(self, cell: int, gap_m: float) -> float:
        """Variance of the gain at a gap between players of the club."""
        total, gaps = 0.0, np.array([gap_m])
        first = int(np.flatnonzero(self.mix.cell == cell)[0])
        s, v = float(self._side[first]), float(self._volley[first])
        for choice in CHOICES:
            fitted = self.model.curves_[choice]
            weight = self._weights(choice, None, None)[0] * (self.mix.cell == cell)
            z = fitted.columns.own(*_ball(gaps, s, v, weight @ self._words[choice]))[0]
            spread2 = (fitted.draws.spread**2).mean(axis=0)[fitted.columns.groups.own]
            p = float(self.win(-1, cell, choice, gaps).mean())
            total += (p * (1.0 - p)) ** 2 * float(spread2 @ z**2)
        return total

    def weak_prior(self, cell: int) -> Floats:
        """Weights of the draws under the weak prior on the club's threshold."""
        gaps = self.grids[cell]
        at = np.clip(crossings(self.gain(-1, cell, gaps), gaps), 0.0, gaps[-1])
        weight = np.exp(-0.5 * ((at - _CLUB_M) / _CLUB_SCALE_M) ** 2) + 1e-12
        return np.asarray(weight / weight.sum())

    def gaps_met(self, player: int, cell: int) -> Floats:
        """Gaps of the player's own balls in a cell."""
        counted = self.model.counted_
        own = counted.player == np.unique(counted.player)[player]
        kinds = counted.kinds
        here = cell_of(kinds["side"], kinds["family"], self.model.families_) == cell
        rows = own & here[counted.kind]
        gap = kinds["gap_m"].to_numpy()[counted.kind[rows]]
        return np.repeat(gap, counted.n[rows].astype(np.int64))

    def situation(self, told: Mapping[str, str]) -> Bools | None:
        """Kinds of shot in a situation; None for no condition."""
        if not told:
            return None
        where = np.ones(len(self.mix.table), dtype=bool)
        for name, level in told.items():
            known = self.model.situation_
            if name not in known or level not in known[name]:
                options = "; ".join(f"{c}: {', '.join(levels)}" for c, levels in known.items())
                raise DataError(
                    f"the model does not tell {name} {level!r} apart; it knows {options or 'none'}"
                )
            where &= (self.mix.table[name] == level).to_numpy()
        return where

    def mean_of(self, table: pd.DataFrame) -> Floats:
        """Posterior mean chance of winning with every shot of a table, shape (n,)."""
        player = positions(table["player"], pd.Index(self.model.players_))
        lead = np.append(self.model.lead_, 0.0)[player]
        if "opponent" in table.columns:
            lead = self.model.strengths_.difference(table)
        side, volley = self._side_and_volley(table)
        gap = table["gap_m"].to_numpy(dtype=float)
        win = np.full(len(table), np.nan)
        for choice in CHOICES:
            rows = np.flatnonzero((table["choice"] == choice).to_numpy())
            fitted = self.model.curves_[choice]
            common, own = fitted.draws.mean
            own = np.concatenate([own, np.zeros((1, own.shape[1]))])
            words = fitted.columns.words(table.iloc[rows])
            described = gap[rows], side[rows], volley[rows], words
            eta = fitted.columns.common(*described) @ common + lead[rows]
            eta += np.einsum("nq,nq->n", fitted.columns.own(*described), own[player[rows]])
            win[rows] = expit(eta) + self._mean_corrected(choice, gap[rows])
        return np.clip(win, 1e-4, 1.0 - 1e-4)

    def of_own(self, player: int, shots: pd.DataFrame) -> Floats:
        """Draws of the chance of winning with given shots of one player, (draws, n)."""
        side, volley = self._side_and_volley(shots)
        gap = shots["gap_m"].to_numpy(dtype=float)
        win = np.full((self.n_draws, len(shots)), np.nan)
        for choice in CHOICES:
            rows = np.flatnonzero((shots["choice"] == choice).to_numpy())
            words = self.model.curves_[choice].columns.words(shots.iloc[rows])
            chance = self._win(choice, player, (gap[rows], side[rows], volley[rows], words))
            win[:, rows] = np.clip(chance, 0.0, 1.0)
        return win

    # -- single shots ---------------------------------------------------------------------

    @cached_property
    def _ball_words(self) -> dict[str, Floats]:
        """Mean words of the player's strokes in every situation, (1 + players, balls, words)."""
        found = {}
        for k, choice in enumerate(CHOICES):
            share = self.mix.shot_shares(k)
            balls = int(self.mix.ball.max(initial=-1)) + 1
            words = np.zeros((len(share), balls, self._words[choice].shape[1]))
            for row in np.flatnonzero(self.mix.choice == k):
                words[:, self.mix.ball[row]] += share[:, row, None] * self._words[choice][row]
            found[choice] = words
        return found

    def of_shots(self, table: pd.DataFrame) -> Iterator[tuple[Ints, Floats, Floats]]:
        """Draws of the chance of winning by attacking and by resetting each ball of a table.

        Each ball in its own situation, with the player's own mix of strokes there.

        Parameters
        ----------
        table : DataFrame
            With player, side, family, gap_m and the columns of the situation.

        Yields
        ------
        rows : ndarray of int
            Positions in the table, some of one player at a time; shots of players that the
            model does not know are left out.
        attack, reset : ndarray, shape (draws, rows)
        """
        player = positions(table["player"], pd.Index(self.model.players_))
        ball = self.mix.ball_of(table)
        side, volley = self._side_and_volley(table)
        gap = table["gap_m"].to_numpy(dtype=float)
        usable = (player >= 0) & (ball >= 0) & ~np.isnan(gap)
        for i in range(len(self.model.players_)):
            own = np.flatnonzero(usable & (player == i))
            for at in range(0, len(own), _CHUNK):
                rows = own[at : at + _CHUNK]
                both = []
                for choice in CHOICES:
                    words = self._ball_words[choice][i + 1, ball[rows]]
                    chance = self._win(choice, i, (gap[rows], side[rows], volley[rows], words))
                    both.append(np.clip(chance, 0.0, 1.0))
                yield rows, both[0], both[1]


def _ball(gaps_m: Floats, side: float, volley: float, words: Floats) -> tuple[Floats, ...]:
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


def crossings(gain: Floats, gaps_m: Floats) -> Floats:
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


def threshold_of(crossing: Floats, level: float) -> Threshold:
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
class Rule:
    """The gap to play by, and what it may cost.

    Attributes
    ----------
    gap_m : float
        Attack from here on; minus infinity: at any gap; infinity: at none.
    cost : float
        Rallies in 100 such balls that knowing the truth would save, expected; NaN without a
        ball.
    cost_high : float
        Its upper limit.
    """

    gap_m: float
    cost: float
    cost_high: float


def rule_of(
    gain: Floats, gaps_m: Floats, met_m: Floats, level: float, weight: Floats | None = None
) -> Rule:
    """The gap from which enough draws say attack.

    The cost of attacking from a gap on is, in one draw, the mean over the balls that were
    met of what the better choice would have brought beyond the rule's.

    Parameters
    ----------
    gain : ndarray, shape (draws, gaps)
    gaps_m : ndarray, shape (gaps,)
    met_m : ndarray, shape (n,)
        Gaps of the balls that the cost is about.
    level : float
    weight : ndarray, shape (draws,), optional
        Weights of the draws, in place of the share that must say attack: then the even one.
    """
    share = 1.0 - RULE_SHARE if weight is None else 0.5
    weight = np.full(len(gain), 1.0 / len(gain)) if weight is None else weight
    says = weight @ (gain > 0)
    gap = float(crossings((says - (1.0 - share))[None], gaps_m)[0])
    if not len(met_m):
        return Rule(gap, float("nan"), float("nan"))
    at = np.interp(met_m, gaps_m, np.arange(len(gaps_m)))
    low = np.minimum(at.astype(int), len(gaps_m) - 2)
    of_ball = gain[:, low] + (gain[:, low + 1] - gain[:, low]) * (at - low)
    attacks = met_m >= gap
    cost = np.maximum(of_ball, 0.0).mean(axis=1) - np.where(attacks, of_ball, 0.0).mean(axis=1)
    order = np.argsort(cost)
    last = int(np.searchsorted(np.cumsum(weight[order]), level))
    upper = order[min(last, len(order) - 1)]
    return Rule(gap, float(100 * weight @ cost), float(100 * cost[upper]))


def shots_to_settle(gain: Floats, level: float) -> float:
    """How many times the present shots would settle an open answer, about.

    The mean gain is taken to stay where it is, and its error to shrink with the root of the
    number of shots. Infinite beyond fifty times.
    """
    z = float(ndtri(0.5 + level / 2.0))
    mean, error = gain.mean(axis=0), gain.std(axis=0)
    for times in np.geomspace(1.05, 50.0, 60):
        low, high = (mean + s * z * error / np.sqrt(times) for s in (-1, 1))
        if (low > 0).all() or (high < 0).all() or (high[0] < 0 and low[-1] > 0):
            return float(times - 1.0)
    return float("inf")


def own_share(player: Floats, club: Floats, between: float) -> float:
    """How much of an answer is the player's own.

    One less the posterior variance of the player's deviation from the club over the
    variance between players: 0 where the log says nothing of the player, 1 where it says all.

    Parameters
    ----------
    player, club : ndarray, shape (draws,)
        Draws of the gain at one gap.
    between : float
        Variance of that gain between players, averaged over the draws.
    """
    known = float(np.var(player - club))
    return float(np.clip(1.0 - known / max(between, 1e-12), 0.0, 1.0))


def own_words(share: float) -> str:
    """How much of an answer is the player's own, in words."""
    if np.isnan(share):
        return ""
    return ("mostly the club's so far", "half the player's own", "mostly the player's own")[
        int(share >= 1 / 3) + int(share >= 2 / 3)
    ]


@dataclass(frozen=True)
class Asked:
    """One combination of levels of what an answer is given by."""

    told: dict[str, str]
    where: Bools | None
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


def shots_in_order(
    model: TightnessModel,
    player: str,
    cell: tuple[str, str | None],
    gap_m: float,
    level: float,
    situation: Mapping[str, str],
) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.which_shot`."""
    side, family = cell
    if family is None and len(model.families_) == 1:
        family = model.families_[0]
    if (side, family) not in model.cells_:
        known = "; ".join(" ".join(cell) for cell in model.cells_)
        raise DataError(f"no ball is {side!r} {family!r}; the model knows {known}")
    posterior, i = model.posterior_, model.players_.index(player)
    j = model.cells_.index((side, str(family)))
    here = check_gaps_m([gap_m], float(model.gap_max_m().iloc[j]))
    where = posterior.situation(situation)
    names, draws, n = [], [], []
    for choice in CHOICES:
        for stroke in model.curves_[choice].columns.strokes:
            win = posterior.win(i, j, choice, here, where, stroke)[:, 0]
            if not np.isnan(win).any():
                names.append((choice, stroke))
                draws.append(win)
                n.append(posterior.mix.of_stroke(i, j, choice, stroke))
    if not draws:
        told = ", ".join(f"{name} {word}" for name, word in situation.items())
        raise DataError(f"no {side} {family} of the log was met with {told}; name less of it")
    every, cut = np.stack(draws), 0.5 * (1.0 - level)
    best = np.bincount(every.argmax(axis=0), minlength=len(every)) / every.shape[1]
    low, high = np.quantile(every, [cut, 1.0 - cut], axis=1)
    table = pd.DataFrame(names, columns=["choice", "stroke"]).assign(
        win=every.mean(axis=1), win_low=low, win_high=high, p_best=best, n=n
    )
    first = int(table["win"].to_numpy().argmax())
    # how much worse each is than the first
    sure = np.quantile(every[first] - every, cut, axis=1) > 0
    words = np.where(sure, "worse", "no difference known")
    words[first] = "best so far"
    table = table.assign(words=words)
    return table.sort_values("win", ascending=False, ignore_index=True)


def check_ball_words(table: pd.DataFrame, model: TightnessModel) -> None:
    """Refuse words and gaps that the model cannot know; blanks may stand anywhere."""
    need_columns(table, ("player", "side", "choice", "gap_m"))
    words: dict[str, Sequence[str]] = {"side": SIDES, "choice": CHOICES}
    if model.families_ != (ALL_STROKES,):
        need_columns(table, ("family",))
        words["family"] = model.families_
    if "stroke" in table.columns:
        words["stroke"] = STROKES
    for name, levels in model.situation_.items():
        if name in table.columns:
            words[name] = WORDS.get(name, levels)
    for name, known in words.items():
        check_words(table[name], known, name)
    gap = table["gap_m"]
    if not pd.api.types.is_numeric_dtype(gap.dtype):
        raise DataError("gap_m holds words; give gaps in metres, such as 0.4")
    check_lengths_m(gap.fillna(0.0).to_numpy() if len(gap) else [0.0], "gap_m")
