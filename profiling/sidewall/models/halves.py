"""The log in two halves with a model of each, so that no rally chooses itself.

A ball that is called loose because the draws say so is, in those very draws, worth more than
it is. So which balls are called so is read off the model of the half that they do not lie in
(sample splitting; Cox 1975, Biometrika 62:441-444).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Ints, Keep, kept_rows
from sidewall.errors import DataError
from sidewall.models.posterior import Posterior

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: What is dealt out: whole matches, or where a player has only one games, or rallies.
_UNITS: Final = (["match"], ["match", "game"], ["match", "game", "rally"])
_DRAWS: Final = 400


class Halves:
    """Two fits to halves of the log of a fitted model; the value of a ball is that of the whole.

    `posteriors` is None for a half that holds too little for a fit; `n_draws` are those of each.
    """

    def __init__(self, model: TightnessModel) -> None:
        met = pd.concat(model.parts.each(_met), ignore_index=True).drop_duplicates()
        self._half = _dealt_out(met)
        draws = min(_DRAWS, model.draws)
        value = getattr(model, "value_", None)
        found: list[Posterior | None] = []
        for k in range(2):
            keep = _OfHalf(self._half, k, model.keep)
            try:
                found.append(model.again(model.parts, keep, draws, value).posterior_)
            except DataError:  # one choice or one side alone, or no shot at all
                found.append(None)
        self.posteriors, self.n_draws = tuple(found), draws

    def of(self, table: pd.DataFrame) -> Ints:
        """Half of every shot, 0 or 1; -1 for rallies that the fit has not seen, shape (n,)."""
        return _half_of(table, self._half)


@dataclass(frozen=True)
class _OfHalf:
    """Keeps the shots of one half, of those that the whole fit kept."""

    half: pd.Series
    k: int
    keep: Keep | None

    def __call__(self, table: pd.DataFrame) -> Bools:
        mine = _half_of(table, self.half) == self.k
        return mine if self.keep is None else mine & kept_rows(table, self.keep)


def _met(table: pd.DataFrame) -> pd.DataFrame:
    """Who played in which rally."""
    names = [*_UNITS[-1], "player"]
    return table.loc[table["gap_m"].notna(), names].drop_duplicates().astype(str)


def _dealt_out(met: pd.DataFrame) -> pd.Series:
    """Half of every unit, so that each player has about as many rallies in either."""
    for unit in _UNITS:
        if (met[[*unit, "player"]].drop_duplicates().groupby("player").size() >= 2).all():
            break
    rallies = met.groupby([*unit, "player"], sort=True).size()
    player = pd.factorize(rallies.index.get_level_values("player"))[0]
    code = rallies.reset_index().groupby(unit, sort=True).ngroup().to_numpy()
    n = rallies.to_numpy()
    so_far = np.zeros((2, int(player.max(initial=-1)) + 1))
    bounds = np.searchsorted(code, np.arange(code.max(initial=-1) + 2))
    half = np.zeros(len(bounds) - 1, dtype=np.int64)
    for k in range(len(half)):
        some = slice(bounds[k], bounds[k + 1])
        half[k] = int(so_far[0, player[some]].sum() > so_far[1, player[some]].sum())
        so_far[half[k], player[some]] += n[some]
    names = rallies.reset_index()[unit].iloc[bounds[:-1]]
    return pd.Series(half, pd.MultiIndex.from_frame(names))


def _half_of(table: pd.DataFrame, half: pd.Series) -> Ints:
    grouped = table.groupby(list(half.index.names), observed=True, sort=False)
    code = grouped.ngroup().to_numpy()
    first = np.unique(code, return_index=True)[1]
    keys = pd.MultiIndex.from_frame(table[list(half.index.names)].iloc[first].astype(str))
    return half.reindex(keys).fillna(-1).to_numpy(dtype=np.int64)[code]
