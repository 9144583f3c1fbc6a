"""From counted shots to drawn curves: working responses, and one more pass for the scores."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from sidewall.arguments import Floats, Ints, Keep, kept_rows
from sidewall.features.coded import positions
from sidewall.log.vocabulary import CHOICES
from sidewall.models.carried import CarriedSums
from sidewall.models.correction import MissedSums
from sidewall.models.counted import (
    ALL_STROKES,
    CountedShots,
    cell_of,
    count_used,
    kind_columns,
    usable_shots,
)
from sidewall.models.curves import SLOPE_GAPS_M, CurveColumns, side_and_volley
from sidewall.models.draws import (
    ROUGH,
    WARM,
    WARM_ROUGH,
    Draws,
    draw,
    variance_ratio,
)
from sidewall.models.moments import Moments
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import BallValue, Horizon, outcomes, settled

_CHUNK: Final = 20_000


@dataclass(frozen=True)
class Judge:
    """Judges the shots of any part of a log by the same standard."""

    value: BallValue | None
    horizon: Horizon
    keep: Keep | None = None

    def usable(
        self, table: pd.DataFrame, columns: Floats | None = None
    ) -> tuple[pd.DataFrame, pd.Series]:
        """Usable shots with ``outcome``, ``ball`` and ``sign``, and those left out by reason.

        With the value's `columns` of every ball at hand, they are not made again.
        """
        found = outcomes(table, self.value, self.horizon, columns=columns)
        table = table.assign(outcome=found.outcome, ball=found.ball, sign=found.sign)
        return usable_shots(table, None if self.keep is None else kept_rows(table, self.keep))


@dataclass(frozen=True)
class MetPart:
    """Counts how often every level of the situation was met."""

    judge: Judge
    columns: tuple[str, ...]

    def __call__(self, table: pd.DataFrame) -> dict[str, pd.Series]:
        """Usable shots by level of every column."""
        keep = self.judge.keep
        used = usable_shots(table, None if keep is None else kept_rows(table, keep))[0]
        there = [name for name in self.columns if name in used.columns]
        return {name: used[name].dropna().astype(str).value_counts() for name in there}


@dataclass(frozen=True)
class CountPart:
    """Judges and counts the shots of a part of a log."""

    judge: Judge
    situation: Mapping[str, tuple[str, ...]]
    players: pd.Index

    def __call__(self, table: pd.DataFrame) -> tuple[CountedShots, pd.Series]:
        """Counted shots, and those left out by reason."""
        used, left_out = self.judge.usable(table)
        return count_used(used, self.situation, self.players), left_out


@dataclass
class FittedCurve:
    """The curve of one choice.

    Attributes
    ----------
    columns : CurveColumns
    draws : Draws
    dispersion : float
        Variance of the outcomes over that of wins and losses with the same chances.
    design_effect : float
        Variance of the common coefficients' scores summed by rally, over that of shots
        that shared nothing; above 1 it widens the draws.
    own_design_effect : float
        The same for a player's own level. By rally a player's shots of one rally share the
        result; what they share is luck, drawn beside the level and left out of the answers.
    """

    columns: CurveColumns
    draws: Draws
    dispersion: float
    design_effect: float
    own_design_effect: float


@dataclass(frozen=True)
class Mode:
    """What of a rough curve is asked of every part of a log: small, since it is sent to each."""

    columns: CurveColumns
    common: Floats
    own: Floats
    dispersion: float


class RoughCurve:
    """A curve on its way to be drawn: working responses around its mode.

    Parameters
    ----------
    columns : CurveColumns
    rows : CountedShots
        Of one choice.
    player : ndarray of int, shape (rows,)
        Position among the players of the fit.
    offset : ndarray, shape (rows,)
        Striker's strength less the opponent's, in log odds.
    players : int
    """

    def __init__(
        self,
        columns: CurveColumns,
        rows: CountedShots,
        player: Ints,
        offset: Floats,
        players: int,
    ) -> None:
        self.columns, self.rows, self.player, self.offset = columns, rows, player, offset
        self.players, self._rounds = players, 2
        self._start: Floats | None = None
        self._prepare()
        mean = np.clip(rows.total.sum() / rows.n.sum(), 0.02, 0.98)
        self.common, self.own = np.zeros(self.X.shape[1]), np.zeros((players, self.Z.shape[1]))
        self.common[0] = logit(mean)

    def _prepare(self) -> None:
        kinds = self.rows.kinds
        side, volley = side_and_volley(kinds)
        ball = (kinds["gap_m"].to_numpy(), side, volley, self.columns.words(kinds))
        self.X, self.Z = self.columns.common(*ball), self.columns.own(*ball)

    def resume(self, fitted: FittedCurve, at: Ints) -> None:
        """Start from a fit, where it has the same columns.

        Parameters
        ----------
        fitted : FittedCurve
        at : ndarray of int, shape (players,)
            Position of each player in that fit; -1 for one that it does not know.
        """
        if fitted.columns.word_names != self.columns.word_names:
            return
        self.columns, self._rounds = fitted.columns, 1
        self._start = fitted.draws.spread.mean(axis=0)
        self.common, own = fitted.draws.mean
        self.own = np.where(at[:, None] >= 0, own[at], 0.0)
        self._prepare()

    def settle(self, rng: np.random.Generator) -> RoughCurve:
        """Rough draws, linearised anew after each round: two rounds from nothing."""
        for _ in range(self._rounds):
            warm = ROUGH if self._start is None else WARM_ROUGH
            groups = self.columns.groups
            found = draw(self.moments(), groups, ROUGH, warm, rng, start=self._start)
            self._start = found.spread.mean(axis=0)
            self.common, self.own = found.mean
            self.columns = self.columns.with_slope(self.common)
            self._prepare()
        return self

    @property
    def mode(self) -> Mode:
        """Columns and coefficients as they stand."""
        return Mode(self.columns, self.common, self.own, self.dispersion)

    def _eta(self) -> Floats:
        eta = (self.X @ self.common)[self.rows.kind]
        for at in range(0, len(eta), _CHUNK):
            some = slice(at, at + _CHUNK)
            own = self.own[self.player[some]]
            eta[some] += np.einsum("nq,nq->n", self.Z[self.rows.kind[some]], own)
        return np.clip(eta, -6.0, 6.0)

    def moments(self) -> Moments:
        """Cross products around the present curve."""
        eta, rows = self._eta(), self.rows
        p = expit(eta + self.offset)
        squares = rows.square - 2 * p * rows.total + rows.n * p**2
        self.dispersion = float((squares / (p * (1 - p))).sum() / rows.n.sum())
        w = rows.n * p * (1 - p) / self.dispersion
        right = (rows.total - rows.n * p) / self.dispersion + w * eta
        columns = self.X, self.Z
        return Moments.of(columns, rows.kind, self.player, self.players, w, right)

    def drawn(
        self, sums: Scores, count: int, rng: np.random.Generator, shifts: Floats | None
    ) -> FittedCurve:
        """Draw the curve."""
        moments = self.moments()
        J, xm, zm, own = sums.of_choice[self.columns.choice]
        design = round(variance_ratio(J, moments.xx), 6)
        level = moments.level
        own_design = round(float(own / level.sum()), 6)
        xm, zm = settled(xm), settled(zm)
        moments = replace(moments, xm=xm, zm=zm).widened(max(design, 1.0))
        luck = None
        if shifts is None and own_design > max(design, 1.0):
            luck = (own_design - max(design, 1.0)) / np.maximum(level, 1e-9)
        groups = self.columns.groups
        found = draw(moments, groups, count, WARM, rng, shifts, luck, self._start)
        return FittedCurve(self.columns, found, self.dispersion, design, own_design)


def rough_curves(
    counted: CountedShots,
    strengths: Strengths,
    told: tuple[Mapping[str, tuple[str, ...]], bool],
    rng: np.random.Generator,
    start: tuple[Mapping[str, FittedCurve], Sequence[str]] | None = None,
) -> dict[str, RoughCurve]:
    """Rough curves of both choices.

    Parameters
    ----------
    counted, strengths
    told : tuple
        Levels of every column of the situation, and whether strokes are told apart.
    rng : numpy.random.Generator
    start : tuple, optional
        Curves and players of a fit to begin with.
    """
    situation, by_stroke = told
    playing = counted.playing
    names = pd.Index([str(name) for name in counted.players[playing]])
    strength = strengths.strength_.to_numpy()
    curves = {}
    for choice in CHOICES:
        rows = counted.of_choice(choice)
        offset = strength[rows.player] - strength[rows.opponent]
        met = rows.by_kind.query("n > 0")["stroke"]
        strokes = tuple(met.cat.categories[np.unique(met.cat.codes)]) if by_stroke else ()
        columns = CurveColumns(choice, strokes, situation, np.zeros(len(SLOPE_GAPS_M)))
        player = np.searchsorted(playing, rows.player)
        rough = RoughCurve(columns, rows, player, offset, len(playing))
        if start is not None:
            rough.resume(start[0][choice], pd.Index(start[1]).get_indexer(names))
        curves[choice] = rough.settle(rng)
    return curves


def leads(
    counted: CountedShots, strengths: Strengths, count: int, draws: Floats | None
) -> tuple[Floats, Floats]:
    """By how much each player is stronger than the opponents met, in log odds.

    Parameters
    ----------
    counted, strengths
    count : int
    draws : ndarray, shape (count, all players), optional
        Strengths drawn, less their estimate.

    Returns
    -------
    lead : ndarray, shape (players,)
    lead_draws : ndarray, shape (count, players)
        Less their estimate; 0 without `draws`.
    """
    from scipy.sparse import csr_array  # noqa: PLC0415 - slow to load

    strength = strengths.strength_.to_numpy()
    playing, size = counted.playing, len(strength)
    met = csr_array((counted.n, (counted.player, counted.opponent)), (size, size))[playing]
    shots = met.sum(axis=1)
    lead = strength[playing] - met @ strength / shots
    if draws is None:
        return lead, np.zeros((count, len(playing)))
    return lead, draws[:, playing] - (met @ draws.T / shots[:, None]).T


@dataclass(frozen=True)
class Scores:
    """What one more pass over the log adds up, with the rough curves at hand."""

    of_choice: dict[str, tuple[Floats, Floats, Floats, Floats]]  # J, xm, zm, squares of own levels
    missed: MissedSums
    carried: CarriedSums | None  # by rally there is no value to ask
    rallies: Ints  # players x (cells + families): rallies with an own usable shot
    played: Ints  # (2, players): matches and games with an own usable shot

    @classmethod
    def add_up(cls, parts: Iterable[Scores]) -> Scores:
        """Sums of all parts."""
        found = list(parts)
        total = {}
        for choice in CHOICES:
            J, xm, zm, own = (
                np.sum([part.of_choice[choice][k] for part in found], 0) for k in range(4)
            )
            total[choice] = (J, xm, zm, own)
        missed = MissedSums.add_up(part.missed for part in found)
        each = [part.carried for part in found if part.carried is not None]
        carried = CarriedSums.add_up(each) if each else None
        rallies = np.sum([part.rallies for part in found], axis=0)
        return cls(total, missed, carried, rallies, np.sum([part.played for part in found], axis=0))


@dataclass(frozen=True)
class ScorePart:
    """Scores of the shots of a part, summed by rally, and how values move them."""

    judge: Judge
    players: pd.Index
    strengths: Strengths
    families: tuple[str, ...]
    situation: Mapping[str, tuple[str, ...]]
    curves: Mapping[str, Mode]

    def __call__(self, table: pd.DataFrame) -> Scores:
        """Add up the scores of a feature table."""
        balls, carried = None, None
        if self.judge.value is not None and self.judge.horizon != "rally":
            balls = self.judge.value.columns(table)
            carried = CarriedSums.of(table, self.judge.value, balls)
        used = self.judge.usable(table, balls)[0]
        if self.families == (ALL_STROKES,):
            used = used.assign(family=ALL_STROKES)
        player = positions(used["player"], self.players)
        found = {c: self._choice(c, used, player, balls) for c in CHOICES}
        keys = used.assign(player=player)
        played = np.zeros((2, len(self.players)), dtype=np.int64)
        for k, names in enumerate((["player", "match"], ["player", "match", "game"])):
            pairs = keys[names].drop_duplicates()["player"]
            played[k] = np.bincount(pairs, minlength=len(self.players))
        return Scores(found, MissedSums.of(used), carried, self._rallies(used, player), played)

    def _choice(
        self, choice: str, used: pd.DataFrame, player: Ints, balls: Floats | None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        curve = self.curves[choice]
        at = np.flatnonzero((used["choice"] == choice).to_numpy())
        shots, who = used.iloc[at], player[at]
        offset = self.strengths.difference(shots)
        side, volley = side_and_volley(shots)
        gap = kind_columns(shots, {})["gap_m"].to_numpy()
        words = curve.columns.words(shots)
        x, q = len(curve.common), curve.own.shape[1]
        m = 0 if balls is None else balls.shape[1]
        xm, zm = np.zeros((x, m)), np.zeros((len(self.players), q, m))
        rally = np.unique(shots["rally_id"].to_numpy(), return_inverse=True)[1]
        scores = np.zeros((int(rally.max(initial=-1)) + 1, x))
        both, mine = np.unique(rally * len(self.players) + who, return_inverse=True)
        own_scores = np.zeros(len(both))
        ball, sign = shots["ball"].to_numpy(), shots["sign"].to_numpy()
        y = shots["outcome"].to_numpy(dtype=float)
        for low in range(0, len(at), _CHUNK):
            some = slice(low, low + _CHUNK)
            description = gap[some], side[some], volley[some], words[some]
            X, Z = curve.columns.common(*description), curve.columns.own(*description)
            eta = X @ curve.common + np.einsum("nq,nq->n", Z, curve.own[who[some]])
            p = expit(np.clip(eta, -6.0, 6.0) + offset[some])
            residual = (y[some] - p) / curve.dispersion
            np.add.at(scores, rally[some], X * residual[:, None])
            np.add.at(own_scores, mine[some], residual)
            if balls is None:
                continue
            M = balls[ball[some]] * np.where(ball[some] >= 0, sign[some], 0.0)[:, None]
            M /= curve.dispersion
            xm += X.T @ M
            order = np.argsort(who[some], kind="stable")
            met, first = np.unique(who[some][order], return_index=True)
            for i, own in zip(met, np.split(order, first[1:]), strict=True):
                zm[i] += Z[own].T @ M[own]
        return scores.T @ scores, xm, zm, np.asarray(own_scores @ own_scores)

    def _rallies(self, used: pd.DataFrame, player: Ints) -> Ints:
        f = len(self.families)
        cell = cell_of(used["side"], used["family"], self.families)
        rally = used["rally_id"].to_numpy()
        columns = []
        for code, size in ((cell, 2 * f), (cell % f, f)):
            whole = len(self.players) * size
            pairs = np.unique(rally * whole + player * size + code) % whole
            counts = np.bincount(pairs, minlength=whole)
            columns.append(counts.reshape(-1, size))
        return np.concatenate(columns, axis=1).astype(np.int64)
