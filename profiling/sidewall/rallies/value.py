"""What a ball is worth: the chance of winning the rally with it, by whatever is charted.

The value of a ball is ``V = 1/2 + w'phi(ball)``, smooth in the gap, with the side, how the
ball is met, the depth, where the opponent stands, the balance and the two players'
strengths. The striker's chance now is one less the opponent's with the next ball, so
``W = V - 1/2`` changes its sign from shot to shot, and the weights are found by
least-squares temporal differences (Bradtke & Barto 1996, Machine Learning 22:33-57; with
traces, Boyan 2002, Machine Learning 49:233-246).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Floats, Ints
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.features.coded import positions
from sidewall.features.parts import Parts, as_parts
from sidewall.features.rallies import need_whole_rallies
from sidewall.features.shots import with_features
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.rallies.in_short import FullBalls, has_short_rows
from sidewall.rallies.strengths import RallyCounts, Strengths

Horizon = Literal[1, 2, 4, "rally"]

#: The gap enters as ``log(1 + gap / 0.25 m)``, so that tight and loose balls both count.
BEND_M: Final = 0.25
#: Knots of the natural cubic spline in the gap, in metres, where balls are met.
KNOTS_M: Final = (0.05, 0.20, 0.40, 0.70, 1.20, 2.20)
#: The gap about which the columns are centred.
USUAL_M: Final = 0.40

#: Of the logistic curve at an even rally: log odds into chances.
SLOPE: Final = 0.25
_TRACES: Final = (0.0, 0.5, 0.8, 1.0)
#: Strength of the ridge, in shots whose columns are as usual.
_RIDGES: Final = (3.0, 30.0, 300.0, 3000.0)
#: Where no match can be held out: between the chain and the results, and firm.
_UNCHOSEN: Final = (0.5, 3000.0)
_FOLDS: Final = 5
_CHUNK: Final = 60_000


def gap_scale(gap_m: Any) -> Floats:
    """The scale on which a gap counts: ``log(1 + gap / 0.25 m)``, 0 at the usual gap."""
    gap = np.asarray(gap_m, dtype=float)
    return np.asarray(np.log1p(gap / BEND_M) - np.log1p(USUAL_M / BEND_M))


def spline_bends(gap_m: Any) -> Floats:
    """The bends of a natural cubic spline in the scaled gap, shape (n, 4).

    The straight part itself is `gap_scale`.
    """
    return natural_bends(gap_scale(gap_m), gap_scale(KNOTS_M))


def natural_bends(x: Floats, knots: Floats) -> Floats:
    """Bends of a natural cubic spline with k knots in rising order, shape (n, k - 2).

    The truncated-power form of Harrell, Regression Modeling Strategies, 2nd ed., 2.4.5:
    straight outside the outer knots.
    """
    inner, before, last = knots[:-2], knots[-2], knots[-1]
    above = np.maximum(np.asarray(x)[..., None] - knots, 0.0)
    cubed = above * above * above
    width = last - before
    bends = cubed[..., :-2] - cubed[..., -2:-1] * ((last - inner) / width)
    bends += cubed[..., -1:] * ((before - inner) / width)
    return np.asarray(bends / (last - knots[0]) ** 2)


def ball_columns(table: pd.DataFrame) -> tuple[Floats, list[str]]:
    """Columns that describe every ball of a feature table, and their names.

    Whatever is not charted is 0 throughout, so that a log with fewer columns, or a shot with
    a blank cell, is valued by what it has. Shots charted in short are another matter, see
    :mod:`sidewall.rallies.in_short`.

    Parameters
    ----------
    table : DataFrame
        Features; reads side, family, gap_m, depth, opponent_place, balance, and the measured
        places x_m, y_m, opponent_x_m, opponent_y_m.
    """
    serve = (table["stroke"] == "serve").to_numpy()
    side = positions(table["side"], pd.Index(SIDES))
    family = positions(table["family"], pd.Index(FAMILIES))
    gap = table["gap_m"].to_numpy(dtype=float)
    known = ~serve & ~np.isnan(gap)
    filled = np.where(known, gap, USUAL_M)
    h = gap_scale(filled) * known
    bends = (spline_bends(filled) - spline_bends(np.array([USUAL_M]))) * known[:, None]
    columns: dict[str, Floats] = {"serve": serve.astype(float)}
    cells = {
        f"{s} {f}": ~serve & (side == i) & (family == j)
        for i, s in enumerate(SIDES)
        for j, f in enumerate(FAMILIES)
    }
    columns["contact not charted"] = (~serve & ((family < 0) | (side < 0))).astype(float)
    columns["gap not charted"] = (~serve & np.isnan(gap)).astype(float)
    for name, cell in cells.items():
        columns[name] = cell.astype(float)
        columns[f"{name}, gap"] = cell * h
    for k, bend in enumerate(bends.T):
        columns[f"bend {k + 1}"] = bend
        columns[f"volley bend {k + 1}"] = bend * (family == FAMILIES.index("volley"))
    for word in ("front", "back"):
        there = _is(table, "depth", word) & ~serve
        columns[f"{word}, gap"] = there * h
        for name, cell in cells.items():
            columns[f"{word}, {name}"] = (there & cell).astype(float)
    for column, words in (
        ("opponent_place", ("in_front", "out_of_the_way")),
        ("balance", ("stretched", "jammed")),
    ):
        for word in words:
            there = _is(table, column, word) & ~serve
            columns[word] = there.astype(float)
            columns[f"{word}, gap"] = there * h
    columns |= _distances(table, ~serve)
    return np.column_stack(list(columns.values())), list(columns)


def _is(table: pd.DataFrame, column: str, word: str) -> Bools:
    if column not in table.columns:
        return np.zeros(len(table), dtype=bool)
    return (table[column] == word).fillna(False).to_numpy(dtype=bool)


def _distances(table: pd.DataFrame, counts: Bools) -> dict[str, Floats]:
    """How far the opponent stands from the ball, and how deep, where it was measured."""
    names = ("x_m", "y_m", "opponent_x_m", "opponent_y_m")
    place = [
        table[name].to_numpy(dtype=float) if name in table.columns else np.full(len(table), np.nan)
        for name in names
    ]
    x, y, other_x, other_y = place
    away = (np.hypot(other_x - x, other_y - y) - 3.0) / 1.5
    deep = (other_y - 5.5) / 1.5
    known = counts & ~np.isnan(away)
    away, deep = np.where(known, away, 0.0), np.where(known, deep, 0.0)
    return {"away": away, "away squared": away**2 * known, "opponent deep": deep}


def _stood_in(table: pd.DataFrame, full: FullBalls | None) -> Floats:
    """Columns of every ball, with the means of the full balls for those charted in short."""
    phi, _ = ball_columns(table)
    return phi if full is None else full.stand_in(table, phi)


def _full_balls(table: pd.DataFrame) -> FullBalls:
    return FullBalls.of(table, ball_columns(table)[0])


def settled(values: Floats, digits: int = 8) -> Floats:
    """Round an array to so many digits of its largest number.

    Sums over the parts of a log differ from those over the whole in their last digits, which a
    chain of draws may magnify; rounded, they are the same.
    """
    most = np.abs(values).max(initial=0.0)
    if not np.isfinite(most) or most == 0.0:
        return values
    step = 10.0 ** (np.floor(np.log10(most)) - digits)
    return np.asarray(np.round(values / step) * step)


@dataclass(frozen=True)
class _Sums:
    """What a part of the log adds: by fold, for every trace."""

    A: Floats  # (folds, traces, m, m)
    b: Floats  # (folds, traces, m)
    S: Floats  # (folds, m, m)
    c: Floats  # (folds, m)
    n: Floats  # (folds, 2): shots, sum of squared results


@dataclass(frozen=True)
class _Rallies:
    """Shots of decided rallies as the temporal differences see them."""

    phi: Floats
    position: Ints
    last: Bools
    result: Floats  # 1/2 or -1/2, the striker's, less what the strengths make of it
    rally: Ints
    fold: Ints

    @classmethod
    def of(
        cls, table: pd.DataFrame, strengths: Strengths, full: FullBalls | None
    ) -> Iterator[_Rallies]:
        """Whole rallies of a feature table, some at a time; those that ended in a let are out."""
        decided = table["won"].notna().to_numpy()
        some = table[decided]
        start = np.flatnonzero((some["shot"] == 1).to_numpy())
        cut = [0, *start[np.searchsorted(start, np.arange(_CHUNK, len(some), _CHUNK))[:-1]]]
        for low, high in zip(cut, [*cut[1:], len(some)], strict=True):
            rows = some.iloc[low:high]
            if not len(rows):
                continue
            phi = _stood_in(rows, full)
            lead = strengths.difference(rows) * SLOPE
            names = rows["match"].astype(str)
            fold = {name: zlib.crc32(name.encode()) % _FOLDS for name in names.unique()}
            yield cls(
                phi,
                rows["shot"].to_numpy(dtype=np.int64) - 1,
                (rows["shots_left"] == 0).to_numpy(),
                rows["won"].to_numpy(dtype=float) - 0.5 - lead,
                rows["rally_id"].to_numpy(dtype=np.int64),
                names.map(fold).to_numpy(dtype=np.int64),
            )

    def traces(self, trace: float) -> Floats:
        """Eligibility of every shot: its columns, less those before it, ever less."""
        z = self.phi.copy()
        if trace:
            order = np.argsort(self.position, kind="stable")
            ends = np.searchsorted(self.position[order], np.arange(self.position.max() + 2))
            for low, high in pairwise(ends[1:]):
                rows = order[low:high]
                z[rows] -= trace * z[rows - 1]
        return z

    @property
    def steps(self) -> tuple[Floats, Floats]:
        """Columns now plus columns next, and the result where the rally ends here."""
        following = np.append(self.phi[1:], np.zeros((1, self.phi.shape[1])), axis=0)
        following[self.last] = 0.0
        return self.phi + following, np.where(self.last, self.result, 0.0)


@dataclass(frozen=True)
class _SumPart:
    strengths: Strengths
    full: FullBalls | None = None

    def __call__(self, table: pd.DataFrame) -> _Sums | None:
        """Nothing, where shots are charted in short and what they stand for is not known."""
        need_whole_rallies(table)
        if self.full is None and has_short_rows(table):
            return None
        total: list[Floats] | None = None
        for some in _Rallies.of(table, self.strengths, self.full):
            step, reward = some.steps
            m = some.phi.shape[1]
            A = np.zeros((_FOLDS, len(_TRACES), m, m))
            b = np.zeros((_FOLDS, len(_TRACES), m))
            S, c, n = np.zeros((_FOLDS, m, m)), np.zeros((_FOLDS, m)), np.zeros((_FOLDS, 2))
            folds = [np.flatnonzero(some.fold == f) for f in range(_FOLDS)]
            for k, trace in enumerate(_TRACES):
                z = some.traces(trace)
                for f, rows in enumerate(folds):
                    A[f, k] = z[rows].T @ step[rows]
                    b[f, k] = z[rows].T @ reward[rows]
            for f, rows in enumerate(folds):
                S[f] = some.phi[rows].T @ some.phi[rows]
                c[f] = some.phi[rows].T @ some.result[rows]
                n[f] = len(rows), some.result[rows] @ some.result[rows]
            found = [A, b, S, c, n]
            total = found if total is None else [t + p for t, p in zip(total, found, strict=True)]
        if total is None:
            m = ball_columns(table.iloc[:0])[0].shape[1]
            f, k = _FOLDS, len(_TRACES)
            shapes = ((f, k, m, m), (f, k, m), (f, m, m), (f, m), (f, 2))
            total = [np.zeros(shape) for shape in shapes]
        return _Sums(*total)


@dataclass(frozen=True)
class _ScorePart:
    """Squares of the rallies' scores, for the covariance of the weights."""

    strengths: Strengths
    trace: float
    weights: Floats
    full: FullBalls | None = None

    def __call__(self, table: pd.DataFrame) -> Floats:
        m = len(self.weights)
        J = np.zeros((m, m))
        for some in _Rallies.of(table, self.strengths, self.full):
            step, reward = some.steps
            score = some.traces(self.trace) * (reward - step @ self.weights)[:, None]
            first = np.flatnonzero(some.position == 0)
            sums = np.add.reduceat(score, first, axis=0)
            J += sums.T @ sums
        return J


class BallValue(Estimator):
    """Chance of winning the rally with a ball, before anybody knows which shot is played.

    Parameters
    ----------
    strengths : Strengths, optional
        Fitted to the same log unless it is given fitted.

    Attributes
    ----------
    weights_ : Series
        Of the columns, in rallies.
    covariance_ : ndarray, shape (m, m)
        Of the weights, rallies as the independent units.
    trace_, ridge_ : float
        Chosen by the squared error of held-out matches: trace 1 is the mean result of the
        rallies through such balls, 0 leans on the next ball alone.
    scores_ : DataFrame
        Held-out mean ``squared_error`` by ``trace`` and ``ridge``; one half for every ball
        has 0.25. NaN where the log's matches cannot be parted; then trace 0.5 and the firmest
        ridge are taken.
    strengths_ : Strengths
    full_ : FullBalls or None
        In a log with shots charted in short: what these stand for.
    """

    _result = "weights_"

    def __init__(self, strengths: Strengths | None = None) -> None:
        self.strengths = strengths

    def fit(self, shots: pd.DataFrame | Parts) -> BallValue:
        """Find the weights.

        Raises
        ------
        DataError
            When no rally was decided.
        """
        parts = as_parts(shots)
        self.strengths_ = self.strengths or Strengths()
        if not hasattr(self.strengths_, "strength_"):
            counts = RallyCounts.add_up(parts.each(RallyCounts.of))
            self.strengths_ = Strengths(self.strengths_.prior_scale).fit_counts(counts)
        found = self._sums(parts)
        A, b, S, c, n = (sum(getattr(f, k) for f in found) for k in ("A", "b", "S", "c", "n"))
        self._choose(A, b, S, c, n)
        k = _TRACES.index(self.trace_)
        matrix = A.sum(axis=0)[k] + self._penalty(S.sum(axis=0), self.ridge_)
        weights = settled(np.linalg.solve(matrix, b.sum(axis=0)[k]))
        J = sum(parts.each(_ScorePart(self.strengths_, self.trace_, weights, self.full_)))
        inverse = np.linalg.inv(matrix)
        self.covariance_ = settled(inverse @ J @ inverse.T)
        empty = pd.DataFrame(columns=["stroke", "side", "family", "gap_m"])
        self.weights_ = pd.Series(weights, ball_columns(empty)[1], name="weight")
        return self

    def _sums(self, parts: Parts) -> list[_Sums]:
        """Sums of every part; balls charted in short first need the means of the full ones."""
        self.full_: FullBalls | None = None
        found: list[_Sums] = []
        for sums in parts.each(_SumPart(self.strengths_)):
            if sums is None:
                self.full_ = FullBalls.add_up(parts.each(_full_balls))
                return [*parts.each(_SumPart(self.strengths_, self.full_))]
            found.append(sums)
        return found

    @staticmethod
    def _penalty(S: Floats, ridge: float) -> Floats:
        """A ridge on every column but the levels, in units of the column's own size."""
        size = np.diag(S)
        mean = size / max(size.max(), 1.0)
        keep = np.zeros(len(size))
        keep[[0, 1, 2, 3, 5, 7, 9]] = 1.0  # levels of serve, of what is missing, of the cells
        return np.diag(np.where(keep > 0, 1e-6, ridge * np.maximum(mean, 1e-3)) + 1e-9)

    def _choose(self, A: Floats, b: Floats, S: Floats, c: Floats, n: Floats) -> None:
        if not n[:, 0].sum():
            raise DataError("no rally of the log was decided; chart who won the rallies")
        rows = []
        met = np.flatnonzero(n[:, 0])
        for k, trace in enumerate(_TRACES):
            for ridge in _RIDGES:
                loss = 0.0 if len(met) > 1 else np.nan
                for f in met if len(met) > 1 else ():
                    rest = met[met != f]
                    left = sum(A[g, k] for g in rest)
                    left = left + self._penalty(sum(S[g] for g in rest), ridge)
                    w = np.linalg.solve(left, sum(b[g, k] for g in rest))
                    loss += float(n[f, 1] - 2 * c[f] @ w + w @ S[f] @ w)
                rows.append((trace, ridge, loss / n[:, 0].sum()))
        self.scores_ = pd.DataFrame(rows, columns=["trace", "ridge", "squared_error"])
        self.trace_, self.ridge_ = _UNCHOSEN
        if len(met) > 1:
            best = self.scores_.iloc[int(self.scores_["squared_error"].to_numpy().argmin())]
            self.trace_, self.ridge_ = float(best["trace"]), float(best["ridge"])
        self.n_shots_ = int(n[:, 0].sum())

    def columns(self, table: pd.DataFrame) -> Floats:
        """Columns of every ball of a feature table, shape (n, m)."""
        self.need_fit()
        return _stood_in(table, self.full_)

    def advantage(
        self, table: pd.DataFrame, strengths: bool = True, columns: Floats | None = None
    ) -> Floats:
        """Striker's chance less one half with each ball, before the shot.

        Without `strengths`, between two average players. With the table's `columns` at hand,
        they are not made again.
        """
        lead = self.strengths_.difference(table) * SLOPE if strengths else 0.0
        phi = self.columns(table) if columns is None else columns
        return np.clip(phi @ self.weights_.to_numpy() + lead, -0.5, 0.5)

    def errors(self, table: pd.DataFrame) -> Floats:
        """Standard error of the value of each ball, rallies as the independent units."""
        phi = self.columns(table)
        return np.sqrt(np.maximum(np.einsum("nk,kl,nl->n", phi, self.covariance_, phi), 0.0))

    def predict(self, shots: pd.DataFrame) -> Floats:
        """Striker's chance of winning the rally with each ball, before the shot."""
        table = with_features(shots)
        return 0.5 + self.advantage(table)

    def draws(self, count: int, rng: np.random.Generator) -> Floats:
        """Weights drawn from their posterior, less the weights, shape (count, m)."""
        # a triangle, and not eigenvectors, which a last digit may turn: parts of a log agree
        size = len(self.weights_)
        even = 0.5 * (self.covariance_ + self.covariance_.T)
        # few rallies leave directions without error, which `settled` may round below zero by
        # half a step for each column: so much is added
        rounding = size * 1e-8 * np.abs(even).max()
        root = np.linalg.cholesky(even + (rounding + 1e-18) * np.eye(size))
        return np.asarray(rng.standard_normal((count, size)) @ root.T)


@dataclass(frozen=True)
class Outcomes:
    """What every shot is judged by.

    Attributes
    ----------
    outcome : ndarray, shape (n,)
        Between 0 and 1; NaN after a let.
    ball : ndarray of int, shape (n,)
        Row of the ball whose value it is; -1 where the rally ended before.
    sign : ndarray, shape (n,)
        1 where that ball is the striker's, -1 where it is the opponent's.
    advantage : ndarray, shape (n,)
        The striker's chance less one half with the ball that was met; NaN where no value was
        looked at.
    """

    outcome: Floats
    ball: Ints
    sign: Floats
    advantage: Floats


def outcomes(
    table: pd.DataFrame,
    value: BallValue | None,
    horizon: Horizon = 1,
    strengths: bool = True,
    columns: Floats | None = None,
) -> Outcomes:
    """Judge every shot of whole rallies.

    Parameters
    ----------
    table : DataFrame
        Features.
    value : BallValue or None
        Not looked at for the horizon "rally".
    horizon : {1, 2, 4, "rally"}
        How many shots later the ball is valued: 1 is the ball that the shot leaves.
    strengths : bool, default True
        Whether the two players' strengths count in the value of the ball.
    columns : ndarray, shape (n, m), optional
        The value's columns of every ball, where they are at hand.
    """
    won = table["won"].to_numpy(dtype=float)
    n = len(table)
    nobody = np.full(n, -1, dtype=np.int64)
    if horizon == "rally" or value is None:
        return Outcomes(won, nobody, np.ones(n), np.full(n, np.nan))
    need_whole_rallies(table)
    left = table["shots_left"].to_numpy()
    goes_on = (left >= horizon) & ~np.isnan(won)
    ball = np.where(goes_on, np.arange(n) + horizon, -1)
    sign = np.full(n, 1.0 if horizon % 2 == 0 else -1.0)
    found = won.copy()
    W = value.advantage(table, strengths, columns)
    found[goes_on] = 0.5 + sign[goes_on] * W[ball[goes_on]]
    return Outcomes(found, ball, sign, W)


def need_horizon(value: Any) -> Horizon:
    """Refuse a horizon that there is not."""
    options: Sequence[Horizon] = (1, 2, 4, "rally")
    if value not in options:
        raise DataError(f"horizon is {value!r}; it must be 1, 2, 4 or 'rally'")
    found: Horizon = value
    return found
