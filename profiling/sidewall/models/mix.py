"""The mix of shots and situations that a mean curve is taken over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Floats, Ints
from sidewall.features.coded import positions
from sidewall.log.vocabulary import CHOICES
from sidewall.models.counted import ALL_STROKES, sums_by
from sidewall.models.usable import cell_of

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: The usual mix stands for so many shots of the player's own.
_MIX_SHOTS: Final = 20.0


class Mix:
    """Which shots a player plays, and in which situations: the weights of a mean curve.

    Parameters
    ----------
    model : TightnessModel
    """

    def __init__(self, model: TightnessModel) -> None:
        counted = model.counted_
        self._families, self._situation = model.families_, model.situation_
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
        self._balls, self.ball = np.unique(self._ball_code(self.table), return_inverse=True)

    def _ball_code(self, table: pd.DataFrame) -> Ints:
        code = cell_of(table["side"], table["family"], self._families)
        for name, levels in self._situation.items():
            word = np.zeros(len(table), dtype=np.int64)  # a column that is missing is blank
            if name in table.columns:
                word = positions(table[name], pd.Index(list(levels))) + 1
            code = np.where(code < 0, -1, code * (len(levels) + 1) + word)
        return code

    def ball_of(self, table: pd.DataFrame) -> Ints:
        """Position of each ball's situation; of the cell's commonest where it was never met."""
        if self._families == (ALL_STROKES,):
            table = table.assign(family=ALL_STROKES)
        code = self._ball_code(table)
        at = np.searchsorted(self._balls, code)
        found = np.where(self._balls[np.minimum(at, len(self._balls) - 1)] == code, at, -1)
        cell = cell_of(table["side"], table["family"], self._families)
        n = np.bincount(self.ball, self.n.sum(axis=0))
        of_cell = np.zeros(len(n), dtype=np.int64)
        of_cell[self.ball] = self.cell
        usual = np.full(int(self.cell.max(initial=0)) + 2, -1)
        for c in np.unique(of_cell):
            usual[c] = np.flatnonzero(of_cell == c)[np.argmax(n[of_cell == c])]
        return np.where(found >= 0, found, usual[cell])

    def shot_shares(self, choice: int) -> Floats:
        """Share of every kind of shot within its situation and one choice, (1 + players, kinds)."""
        mine = np.where(self.choice == choice, self._n, 0.0)
        return _drawn(mine, _sums(mine, self.ball)[:, self.ball])

    @property
    def _n(self) -> Floats:
        return np.concatenate([self.n.sum(axis=0, keepdims=True), self.n])

    def counts(self, where: Bools | None, stroke: str | None) -> Ints:
        """Own attacks and resets, shape (2, players, cells); a stroke is the attack's."""
        found = []
        for choice in range(2):
            kept = self.choice == choice
            if where is not None:
                kept = kept & where
            if stroke is not None and choice == 0:
                kept = kept & (self.table["stroke"] == stroke).to_numpy()
            cells = _sums(np.where(kept, self.n, 0.0), self.cell, 2 * len(self._families))
            found.append(cells)
        return np.stack(found).astype(np.int64)

    def enough(
        self, player: int, cell: int, where: Bools | None, stroke: str | None
    ) -> tuple[tuple[int, int], tuple[int, int]]:
        """Attacks and resets of a player in a cell, and of all players."""
        counts = self.counts(where, stroke)[:, :, cell]
        mine, everybody = counts[:, player], counts.sum(axis=1)
        return (int(mine[0]), int(mine[1])), (int(everybody[0]), int(everybody[1]))

    def of_stroke(self, player: int, cell: int, choice: str, stroke: str) -> int:
        """Own shots of a stroke in a cell."""
        kept = (self.cell == cell) & (self.choice == CHOICES.index(choice))
        return int(self.n[player][kept & (self.table["stroke"] == stroke).to_numpy()].sum())

    def weights(self, choice: int, where: Bools | None = None, stroke: str | None = None) -> Floats:
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
        n, ball, cell = self._n, self.ball, self.cell
        of_ball = _sums(n, ball)
        cell_of_ball = np.zeros(of_ball.shape[1], dtype=np.int64)
        cell_of_ball[ball] = cell
        share = _drawn(of_ball, _sums(of_ball, cell_of_ball)[:, cell_of_ball])
        if stroke is None:
            shot = self.shot_shares(choice)
        else:
            shot = ((self.choice == choice) & (self.table["stroke"] == stroke)).to_numpy(float)
        weight = share[:, ball] * shot
        if where is not None:
            weight = np.where(where, weight, 0.0)
        total = _sums(weight, cell)[:, cell]
        return np.divide(weight, total, out=np.zeros_like(weight), where=total > 0)


def _sums(values: Floats, code: Ints, size: int = 0) -> Floats:
    out = np.zeros((len(values), max(int(code.max(initial=-1)) + 1, size)))
    np.add.at(out.T, code, values.T)
    return out


def _drawn(part: Floats, whole: Floats) -> Floats:
    """Own shares drawn toward the first row's."""
    club = np.divide(part[:1], whole[:1], out=np.zeros_like(part[:1]), where=whole[:1] > 0)
    return (part + _MIX_SHOTS * club) / (whole + _MIX_SHOTS)
