"""What all items share: the shots with their worth, redrawn rallies, and standings.

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

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from sidewall.arguments import Array, Bools, Ints
from sidewall.combinations.effect import games_played
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.features.shots import with_features
from sidewall.models.curves import GapTransform
from sidewall.rallies.intervals import rally_weights
from sidewall.rallies.value import BallValue, outcomes

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: A curve along the gap takes so many shots; fewer share a mean.
_LEAST_FOR_CURVE: Final = 30
_MOST_NUMBERS: Final = 20_000_000


@dataclass(frozen=True)
class Redrawn:
    """A number of every shot: as charted, and in every redrawn set of rallies.

    It is ``fixed + basis @ estimate``: `fixed`, (n,), is the same in every set; `basis` is sparse,
    (n, q); what it stands for is estimated, (q,), and `drawn`, (draws, q).
    """

    fixed: Array
    basis: Any
    estimate: Array
    drawn: Array

    @property
    def charted(self) -> Array:
        """Numbers as charted, shape (n,)."""
        return np.asarray(self.fixed + self.basis @ self.estimate)

    def __getitem__(self, row: Array) -> Redrawn:
        return Redrawn(self.fixed[row], self.basis[row], self.estimate, self.drawn)

    @classmethod
    def known(cls, value: Array, draws: int) -> Redrawn:
        """Numbers that hang on the shots alone."""
        from scipy import sparse  # noqa: PLC0415 - slow to load

        nothing = sparse.csr_matrix((len(value), 0))
        return cls(value, nothing, np.empty(0), np.empty((draws, 0)))


def values_left(
    value: BallValue, features: pd.DataFrame, draws: int, rng: np.random.Generator
) -> Redrawn:
    """Striker's chance of winning against the ball that a shot leaves, or 1 or 0 where it ended.

    The chance is that between average players. In every redrawn set of rallies the weights of
    the value of a ball are drawn from their posterior, so that what is not known of the
    worth of a ball is in the draws. All that the work list takes of it comes from here.
    """
    from scipy import sparse  # noqa: PLC0415 - slow to load

    judged = outcomes(features, value, 1, strengths=False)
    goes_on = np.flatnonzero(judged.ball >= 0)
    fixed = judged.outcome.copy()
    fixed[goes_on] = 0.5
    columns = np.zeros((len(features), len(value.weights_)))
    columns[goes_on] = -value.columns(features)[judged.ball[goes_on]]
    estimate = value.weights_.to_numpy()
    return Redrawn(fixed, sparse.csr_matrix(columns), estimate, estimate + value.draws(draws, rng))


class Ladder:
    """A log of whole rallies, every shot with the chance of winning that it left behind.

    The value of a ball is the model's where it has one. `table` are the features, and `columns` the
    same shots for combinations; `after` is, of every shot, 1 or 0 where the rally ended, else the
    chance of winning with the ball that was left, see `values_left`; `edge` is how much more that
    is by the strengths of the two who play. `weights`, (draws, rallies), are how often each rally
    is drawn within matches, in sets that all items and players share.
    Games, rallies, those decided and those won are by player.
    """

    def __init__(
        self, shots: pd.DataFrame, model: TightnessModel, draws: int, rng: np.random.Generator
    ) -> None:
        self.table = _only_those_who_play(with_features(shots).reset_index(drop=True))
        self.columns = ShotColumns(self.table)
        self.names = [str(name) for name in self.columns.names]
        self.player = self.columns.player
        self.rally = self.columns.runs.of_shot
        match = pd.factorize(self.table["match"])[0][self.columns.runs.first]
        self.weights = rally_weights(match, draws, rng)
        value = model.value_ if hasattr(model, "value_") else BallValue().fit(self.table)
        self.after = values_left(value, self.table, draws, rng)
        self.edge = outcomes(self.table, value, 1).outcome - self.after.charted
        self.struck = (
            (self.table["stroke"] != "serve")
            & self.table["choice"].notna()
            & self.table["gap_m"].notna()
            & self.table["family"].notna()
        ).to_numpy()
        if not self.struck.any():
            raise DataError("no shot has a choice, a gap and a contact; chart these first")
        self._count()

    def _count(self) -> None:
        columns, players = self.columns, len(self.names)
        first = columns.runs.first
        sides = np.stack([columns.player[first], columns.opponent[first]])
        decided = columns.winner >= 0
        self.games = np.array([games_played(columns, k) for k in range(players)], dtype=float)
        self.rallies = np.bincount(sides.ravel(), minlength=players).astype(float)
        self.decided = np.bincount(sides[:, decided].ravel(), minlength=players).astype(float)
        self.won = np.bincount(columns.winner[decided], minlength=players).astype(float)

    @property
    def fault(self) -> Array:
        """Whether each shot was an error of the striker's own, shape (n,)."""
        return self.table["ending"].astype(object).isin(["tin", "out", "down"]).to_numpy()

    def of(self, column: str, word: str) -> Array:
        """Whether each shot has a word in a column, shape (n,)."""
        return (self.table[column] == word).fillna(False).to_numpy(dtype=bool)

    def against(
        self,
        row: Array,
        value: Redrawn,
        by: Sequence[str] = ("side", "family", "choice"),
        cell: Array | None = None,
    ) -> tuple[Array, Array]:
        """Hold shots, `row` (m,), against what the ladder makes of the same balls: numbers `value`.

        Least squares along the gap (a restricted cubic spline) for each group of shots that are
        alike in `by`, as a rule side, family and choice; a mean where a group is small. Returned
        are what is expected as charted, (m,), and sums of value minus expectation in every redrawn
        set, (draws, cells), the curve fitted anew; by player, or by `cell`, (m,).
        """
        cell, cells = (
            (self.player[row], len(self.names)) if cell is None else (cell, int(cell.max()) + 1)
        )
        some = self.table.iloc[row]
        group = some.groupby(list(by), observed=True).ngroup().to_numpy()
        gap = some["gap_m"].to_numpy(dtype=float)
        charted = value.charted
        expected, drawn = np.empty(len(row)), np.zeros((len(self.weights), cells))
        for g in np.unique(group):
            at = np.flatnonzero(group == g)
            X = _along_the_gap(gap[at])
            expected[at] = X @ np.linalg.lstsq(X, charted[at], rcond=None)[0]
            drawn += self._redrawn(self.rally[row[at]], X, value[at], cell[at], cells)
        return expected, drawn

    def _redrawn(self, rally: Array, X: Array, value: Redrawn, cell: Array, cells: int) -> Array:
        """Sums by cell of value minus fitted value in every redrawn set, (draws, cells)."""
        from scipy import sparse  # noqa: PLC0415 - slow to load

        m, k = X.shape
        q, rallies = value.basis.shape[1], self.weights.shape[1]
        sum_up = sparse.csr_matrix((np.ones(m), (rally, np.arange(m))), (rallies, m))
        columns = sparse.hstack([value.fixed[:, None], X, value.basis], format="coo")
        width = 1 + k + q
        own = sparse.csr_matrix(
            (columns.data, (rally[columns.row], cell[columns.row] * width + columns.col)),
            shape=(rallies, cells * width),
        )
        squares = np.hstack(
            [
                sum_up @ (X[:, :, None] * X[:, None, :]).reshape(m, -1),
                sum_up @ (X * value.fixed[:, None]),
            ]
        )
        crossed = [(sum_up @ value.basis.multiply(X[:, [j]])).tocsr() for j in range(k)]
        found = []
        for some in _slices(len(self.weights), cells * width):
            weights, theta = self.weights[some], value.drawn[some]
            gram, moment = np.split(weights @ squares, [k * k], axis=1)
            for j in range(k):
                moment[:, j] += np.einsum("bq,bq->b", weights @ crossed[j], theta)
            inverse = np.linalg.pinv(gram.reshape(-1, k, k), hermitian=True)
            curve = np.einsum("bij,bj->bi", inverse, moment)
            less = np.hstack([np.ones((len(theta), 1)), -curve, theta])
            sums = np.asarray(weights @ own).reshape(-1, cells, width)
            found.append(np.einsum("bcw,bw->bc", sums, less))
        return np.concatenate(found)

    def sums(self, row: Array, value: Array) -> tuple[Array, Array]:
        """Sums of some shots' values, (players,), and in every redrawn set, (draws, players)."""
        from scipy import sparse  # noqa: PLC0415 - slow to load

        shape = (self.weights.shape[1], len(self.names))
        table = sparse.csr_matrix((value, (self.rally[row], self.player[row])), shape=shape)
        return np.asarray(table.sum(axis=0)).ravel(), np.asarray(self.weights @ table)


def _slices(draws: int, numbers: int) -> list[slice]:
    """Slices of the draws that hold a bearable count of numbers each."""
    step = max(1, _MOST_NUMBERS // max(numbers, 1))
    return [slice(at, at + step) for at in range(0, draws, step)]


def _along_the_gap(gap: Array) -> Array:
    """Columns of a curve along the gap, or of a mean where there are few shots or gaps."""
    mean = np.ones((len(gap), 1))
    if len(gap) < _LEAST_FOR_CURVE:
        return mean
    try:
        return np.hstack([mean, GapTransform.fit("spline", gap).basis(gap)])
    except DataError:  # too few different gaps for a curve
        return mean


def _only_those_who_play(table: pd.DataFrame) -> pd.DataFrame:
    """Drop players from the categories who have no shot, as after choosing some matches."""
    columns = ("player", "opponent", "rally_won_by")
    if any(not isinstance(table[name].dtype, pd.CategoricalDtype) for name in columns):
        return table
    there = set(table["player"].dropna()) | set(table["opponent"].dropna())
    names = [name for name in table["player"].cat.categories if name in there]
    return table.assign(**{name: table[name].cat.set_categories(names) for name in columns})


#: Own shots, and rallies that they come from, below which nothing is said of a player.
LEAST_SHOTS: Final = 30
LEAST_RALLIES: Final = 15

_GRID: Final = 60


@dataclass(frozen=True)
class Standing:
    """Standings of all players in one thing; `known` where there are enough shots, (players,).

    `raw`, (players,), is the mean residual as charted, `drawn`, (draws, players), draws of it,
    drawn toward the others and missing where not known; `a_game` counts such shots.
    """

    known: Bools
    n: Ints
    rallies: Ints
    raw: Array
    drawn: Array
    a_game: Array


def pooled_draws(raw: Array, drawn: Array, scale: float, rng: np.random.Generator) -> Array:
    """Draws of standings, (draws, players), from charted means and the same in redrawn rallies.

    `scale` is that of the half-normal prior on the spread between players.
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
    """Standings of all players from the residuals of some shots, `row`.

    `total`, (players,), are sums of their values minus what is to be expected, `total_drawn` the
    same in redrawn rallies; `scale` is that of the prior, in the residuals' unit.
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
