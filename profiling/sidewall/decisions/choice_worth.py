"""What a choice was worth: the chance of winning with it, minus that with the other choice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.log.vocabulary import CHOICES
from sidewall.models.cells import ALL_STROKES

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["ChoiceWorth", "situations_of"]

Array = NDArray[Any]

_ATTACK: Final = CHOICES.index("attack")


def situations_of(model: TightnessModel, table: pd.DataFrame) -> tuple[list[dict[str, str]], Array]:
    """Combinations of the situation columns that shots were met in.

    Parameters
    ----------
    model : TightnessModel
        Fitted; its ``situation`` names the columns.
    table : DataFrame
        Shots with those columns.

    Returns
    -------
    levels : list of dict
        One dict a combination; a column that was not charted, or holds a level that the
        model has not seen, is left out, so that the mix that was met stands for it.
    of_shot : ndarray of int, shape (n,)
        Position in `levels` of each shot.
    """
    columns = list(model.design_.situation)
    if not columns:
        return [{}], np.zeros(len(table), dtype=np.int64)
    known = {
        name: table[name]
        .astype(object)
        .where(table[name].isin(model.design_.situation[name].index))
        for name in columns
    }
    frame = pd.DataFrame(known, index=table.index)
    of_shot = frame.groupby(columns, dropna=False, sort=True).ngroup().to_numpy(dtype=np.int64)
    first = np.unique(of_shot, return_index=True)[1]
    levels = [
        {str(name): str(value) for name, value in row.items() if not pd.isna(value)}
        for row in frame.iloc[first].to_dict("records")
    ]
    return levels, of_shot


class ChoiceWorth:
    """Chance of winning with the choice that was made, minus that with the other, shot by shot.

    Parameters
    ----------
    model : TightnessModel
        Fitted.
    table : DataFrame
        Shots with ``player``, ``side``, ``family``, ``choice``, ``gap_m`` and the columns
        of the model's situation.

    Attributes
    ----------
    player : ndarray of int, shape (n,)
        Position in ``model.players_``; -1 for a player whom the model does not know.
    known : ndarray of bool, shape (n,)
        Shots of a known player, cell, choice and gap.

    Notes
    -----
    With the curves' coefficients stacked over cells (and situations) into one vector a
    player, the difference of a shot is a smooth function of that vector; its gradient gives
    errors of single shots and of sums by the delta method, draws of the vector give draws.
    """

    def __init__(self, model: TightnessModel, table: pd.DataFrame) -> None:
        model._need_fit()
        levels, level = situations_of(model, table)
        contrasts = [model.design_.coefficient_contrasts(one) for one in levels]
        fixed, random = (np.concatenate([pair[k] for pair in contrasts]) for k in (0, 1))
        self._values, covariance = model.average_.contrasts(fixed, random)
        self._covariance = model._error.covariance(covariance, fixed, random)[0]
        families = model.families_
        cells = pd.MultiIndex.from_tuples(model.cells_)
        family = table["family"].astype(str)
        if families == (ALL_STROKES,):
            family = family.mask(family.isin(["ground", "volley"]), ALL_STROKES)
        at = pd.MultiIndex.from_arrays([table["side"].astype(str), family])
        cell = cells.get_indexer(at)
        self.player = pd.Index(model.players_).get_indexer(pd.Index(table["player"].astype(str)))
        choice = table["choice"].astype(object)
        gap = table["gap_m"].to_numpy(dtype=float)
        self.known = (self.player >= 0) & (cell >= 0) & np.isfinite(gap)
        self.known &= choice.isin(CHOICES).to_numpy()
        self._h = np.column_stack([np.ones(len(gap)), model.transform_.basis(np.nan_to_num(gap))])
        self._sign = np.where(choice == "attack", 1.0, -1.0)
        k = self._h.shape[1]
        start = ((level * len(cells) + np.maximum(cell, 0)) * 2 + _ATTACK) * k
        other = start + (1 if _ATTACK == 0 else -1) * k
        self._attack_at = start[:, None] + np.arange(k)
        self._reset_at = other[:, None] + np.arange(k)

    def _win(self, rows: Array) -> tuple[Array, Array]:
        values, who = self._values, self.player[rows][:, None]
        h = self._h[rows]
        attack = np.sum(values[who, self._attack_at[rows]] * h, axis=1)
        reset = np.sum(values[who, self._reset_at[rows]] * h, axis=1)
        return expit(attack), expit(reset)

    def difference(self) -> Array:
        """Chosen minus other, shape (n,): above 0 brought, below 0 cost; NaN where not known."""
        found = np.full(len(self.player), np.nan)
        rows = np.flatnonzero(self.known)
        attack, reset = self._win(rows)
        found[rows] = self._sign[rows] * (attack - reset)
        return found

    def _gradients(self, rows: Array) -> tuple[Array, Array]:
        attack, reset = self._win(rows)
        h, sign = self._h[rows], self._sign[rows]
        up = (sign * attack * (1.0 - attack))[:, None] * h
        down = (sign * reset * (1.0 - reset))[:, None] * h
        return up, -down

    def errors(self) -> Array:
        """Standard error of each difference, shape (n,)."""
        found = np.full(len(self.player), np.nan)
        rows = np.flatnonzero(self.known)
        step = np.hstack(self._gradients(rows))
        at = np.hstack([self._attack_at[rows], self._reset_at[rows]])
        V = self._covariance[self.player[rows][:, None, None], at[:, :, None], at[:, None, :]]
        found[rows] = np.sqrt(np.einsum("nk,nkl,nl->n", step, V, step))
        return found

    def mean_errors(self, group: Array, groups: int) -> Array:
        """Standard error of the mean difference of each group of shots, shape (groups,).

        Parameters
        ----------
        group : ndarray of int, shape (n,)
            Group of each shot, -1 for none. Curves of different players count as independent.
        groups : int
        """
        rows = np.flatnonzero(self.known & (group >= 0))
        n = np.bincount(group[rows], minlength=groups).astype(float)
        players, m = self._values.shape
        total = np.zeros((groups, players, m))
        up, down = self._gradients(rows)
        for at, step in ((self._attack_at, up), (self._reset_at, down)):
            np.add.at(total, (group[rows][:, None], self.player[rows][:, None], at[rows]), step)
        variance = np.einsum("gpk,pkl,gpl->g", total, self._covariance, total, optimize=True)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.sqrt(variance) / n)

    def coefficient_draws(self, draws: int, rng: np.random.Generator) -> Array:
        """Draws of every player's coefficients, shape (draws, players, m); players apart."""
        players, m = self._values.shape
        normal = rng.standard_normal((draws, players, m))
        values, vectors = np.linalg.eigh(self._covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, None))[:, None, :]
        return self._values + np.einsum("pkl,bpl->bpk", root, normal)

    def drawn(self, rows: Array, coefficients: Array) -> Array:
        """Differences of some shots under drawn coefficients, shape (draws, rows)."""
        who, h = self.player[rows][:, None], self._h[rows]
        attack = np.einsum("brk,rk->br", coefficients[:, who, self._attack_at[rows]], h)
        reset = np.einsum("brk,rk->br", coefficients[:, who, self._reset_at[rows]], h)
        return np.asarray(self._sign[rows] * (expit(attack) - expit(reset)))
