"""What all items share: the shots with their worth, and one set of redrawn rallies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.combinations.effect import games_played
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.features.shots import with_features
from sidewall.models.transforms import GapTransform
from sidewall.rallies.resample import rally_weights
from sidewall.rallies.value import BallValue, outcomes

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["Ladder"]

Array = NDArray[Any]

#: A curve along the gap takes so many shots; fewer share a mean.
_LEAST_FOR_CURVE: Final = 30


class Ladder:
    """A log of whole rallies, every shot with the chance of winning that it left behind.

    Parameters
    ----------
    shots : DataFrame
        Whole rallies.
    model : TightnessModel
        Its value of a ball is used where it has one.
    draws : int
        Redrawn sets of rallies, shared by all items and players.
    rng : numpy.random.Generator

    Attributes
    ----------
    table : DataFrame
        Features and ``value_after``: 1 or 0 where the rally ended, else the chance of
        winning with the ball that was left, between average players of the ladder.
    columns : ShotColumns
        The same shots for combinations.
    names : list of str
    player, rally : ndarray of int, shape (n,)
    weights : ndarray, shape (draws, rallies)
        How often each rally is drawn; within matches.
    games, rallies, decided, won : ndarray, shape (players,)
        Games, rallies, decided rallies, and those of them that were won.
    """

    def __init__(
        self, shots: pd.DataFrame, model: TightnessModel, draws: int, rng: np.random.Generator
    ) -> None:
        features = _only_those_who_play(with_features(shots).reset_index(drop=True))
        self.value = model.value_ if hasattr(model, "value_") else BallValue().fit(features)
        after = outcomes(features, self.value, 1, strengths=False).outcome
        self.table = features.assign(value_after=after)
        self.columns = ShotColumns(features)
        self.names = [str(name) for name in self.columns.names]
        self.player = self.columns.player
        self.rally = self.columns.runs.of_shot
        match = pd.factorize(features["match"])[0][self.columns.runs.first]
        self.weights = rally_weights(match, draws, rng)
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
    def attack(self) -> Array:
        """Whether each shot was an attack, shape (n,)."""
        return (self.table["choice"] == "attack").to_numpy()

    @property
    def fault(self) -> Array:
        """Whether each shot was an error of the striker's own, shape (n,)."""
        return self.table["ending"].astype(object).isin(["tin", "out", "down"]).to_numpy()

    def of(self, column: str, word: str) -> Array:
        """Whether each shot has a word in a column, shape (n,)."""
        return (self.table[column] == word).fillna(False).to_numpy(dtype=bool)

    def expected(
        self, row: Array, value: Array, by: Sequence[str] = ("side", "family", "choice")
    ) -> Array:
        """What the ladder makes of the same balls, shape (rows,).

        Least squares along the gap (a restricted cubic spline) for each group of shots that
        are alike in `by`, as a rule side, family and choice; a mean where a group is small.
        """
        some = self.table.iloc[row]
        group = some.groupby(list(by), observed=True).ngroup().to_numpy()
        gap = some["gap_m"].to_numpy(dtype=float)
        found = np.empty(len(row))
        for g in np.unique(group):
            at = np.flatnonzero(group == g)
            try:
                basis = GapTransform.fit("spline", gap[at]).basis(gap[at])
            except DataError:  # too few different gaps for a curve
                basis = np.empty((len(at), 0))
            if len(at) < _LEAST_FOR_CURVE:
                basis = basis[:, :0]
            X = np.column_stack([np.ones(len(at)), basis])
            found[at] = X @ np.linalg.lstsq(X, value[at], rcond=None)[0]
        return found

    def sums(self, row: Array, value: Array) -> tuple[Array, Array]:
        """Sums of some shots' values by player: as charted, and in every redrawn set.

        Returns
        -------
        total : ndarray, shape (players,)
        drawn : ndarray, shape (draws, players)
        """
        from scipy import sparse  # noqa: PLC0415 - slow to load

        shape = (self.weights.shape[1], len(self.names))
        table = sparse.csr_matrix((value, (self.rally[row], self.player[row])), shape=shape)
        return np.asarray(table.sum(axis=0)).ravel(), np.asarray(self.weights @ table)


def _only_those_who_play(table: pd.DataFrame) -> pd.DataFrame:
    """Drop players from the categories who have no shot, as after choosing some matches."""
    columns = ("player", "opponent", "rally_won_by")
    if any(not isinstance(table[name].dtype, pd.CategoricalDtype) for name in columns):
        return table
    there = set(table["player"].dropna()) | set(table["opponent"].dropna())
    names = [name for name in table["player"].cat.categories if name in there]
    return table.assign(**{name: table[name].cat.set_categories(names) for name in columns})
