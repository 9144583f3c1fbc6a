"""From shots to the columns of the tightness model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.models.transforms import GapTransform

Array = NDArray[np.float64]

_CHOICE = {"attack": 0.5, "reset": -0.5}


def _half(values: pd.Series, upper: str) -> Array:
    """Code a two-valued column as +1/2 for `upper` and -1/2 for the other."""
    return np.where(np.asarray(values == upper), 0.5, -0.5)


@dataclass(frozen=True)
class Design:
    """Columns of the model, the same for data and for questions put to the model.

    Side, stroke family and choice are coded +1/2 and -1/2, so that the coefficient of
    ``attack`` is the log-odds difference of attacking and resetting, averaged over cells.

    Population curves: every combination of side, family and choice has its own intercept
    and its own effect of the gap. A player differs from them in level, and in the
    attack and the reset curve separately: in height (by side and family) and in slope
    (by side).

    Parameters
    ----------
    transform : GapTransform
    families : tuple of str
        Families met in the log; with one only, no family columns are made.
    situation : dict of str to Series
        For each extra column, the share of every level: levels enter as centred dummies,
        so that zero stands for the mix that was met.
    """

    transform: GapTransform
    families: tuple[str, ...] = FAMILIES
    situation: Mapping[str, pd.Series] = field(default_factory=dict)

    @property
    def by_family(self) -> bool:
        """Whether the stroke families are told apart."""
        return len(self.families) > 1

    @property
    def cells(self) -> list[tuple[str, str]]:
        """Side and family of every cell, in the order of all tables."""
        return list(product(SIDES, self.families))

    def _codes(self, shots: pd.DataFrame) -> tuple[Array, Array, Array, Array]:
        side = _half(shots["side"], "backhand")
        family = _half(shots["family"], "volley")
        attack = _half(shots["choice"], "attack")
        return side, family, attack, self.transform.basis(shots["gap_m"])

    def fixed(self, shots: pd.DataFrame) -> pd.DataFrame:
        """Population columns, shape (n, p)."""
        side, family, attack, h = self._codes(shots)
        cells = {"1": np.ones(len(shots)), "backhand": side}
        if self.by_family:
            cells |= {"volley": family, "backhand:volley": side * family}
        columns = {}
        for name, cell in cells.items():
            for choice_name, part in (("", cell), (":attack", cell * attack)):
                columns[name + choice_name] = part
                for k in range(h.shape[1]):
                    columns[f"{name}{choice_name}:gap{k + 1}"] = part * h[:, k]
        for column, shares in self.situation.items():
            given = shots[column]
            for level in shares.index[1:]:
                dummy = np.where(given.isna(), 0.0, (given == level) - shares[level])
                columns[f"{column}={level}"] = dummy
                columns[f"{column}={level}:attack"] = dummy * attack
        return pd.DataFrame(columns)

    def random(self, shots: pd.DataFrame) -> pd.DataFrame:
        """Columns whose coefficients vary by player, shape (n, q).

        Attack and reset have columns of their own. Were they coded as mean and difference,
        with independent coefficients, whatever holds the many resets together would hold
        the few attacks too, and players would look more alike than they are.
        """
        side, family, attack, h = self._codes(shots)
        columns = {"1": np.ones(len(shots)), "attack": attack + 0.5}
        for name, chosen in (("attack", attack + 0.5), ("reset", 0.5 - attack)):
            columns[f"{name}:backhand"] = chosen * side
            if h.shape[1]:
                columns[f"{name}:gap"] = chosen * h[:, 0]
                columns[f"{name}:backhand:gap"] = chosen * side * h[:, 0]
            if self.by_family:
                columns[f"{name}:volley"] = chosen * family
        return pd.DataFrame(columns)

    def questions(
        self, gaps_m: Sequence[float], situation: Mapping[str, str] | None = None
    ) -> pd.DataFrame:
        """Made-up shots: each cell and choice at each gap, in the order of `cells`.

        Raises
        ------
        DataError
            When `situation` names a column or level that the model was not fitted with.
        """
        rows = [
            (side, family, choice, gap)
            for (side, family), choice, gap in product(self.cells, _CHOICE, gaps_m)
        ]
        table = pd.DataFrame(rows, columns=["side", "family", "choice", "gap_m"])
        for column in self.situation:
            table[column] = None
        for column, level in (situation or {}).items():
            if column not in self.situation:
                known = ", ".join(self.situation) or "none"
                raise DataError(
                    f"the model was fitted without {column!r} (it has: {known}); "
                    f"fit TightnessModel(situation=({column!r},)) first"
                )
            if level not in self.situation[column].index:
                levels = ", ".join(map(str, self.situation[column].index))
                raise DataError(f"{column} has no level {level!r}; it has: {levels}")
            table[column] = level
        return table

    def coefficient_contrasts(
        self, situation: Mapping[str, str] | None = None
    ) -> tuple[Array, Array]:
        """Linear maps from the model's parameters to the coefficients of every curve.

        A curve (cell and choice) is ``a + b'h(gap)``. Its coefficients are read off by
        asking the design at h = 0 and at one unit of each column of h.

        Returns
        -------
        fixed : ndarray, shape (cells * 2 * (1 + k), p)
        random : ndarray, shape (cells * 2 * (1 + k), q)
            Rows ordered by cell, choice (attack, reset), coefficient.
        """
        k = self.transform.n_columns
        at = np.vstack([np.zeros(k), np.eye(k)])
        probe = Design(_FixedBasis(at), self.families, self.situation)  # type: ignore[arg-type]
        shots = self.questions(range(k + 1), situation)
        maps = []
        for columns in (probe.fixed(shots), probe.random(shots)):
            values = columns.to_numpy(copy=True).reshape(-1, k + 1, columns.shape[1])
            values[:, 1:] -= values[:, :1]
            maps.append(values.reshape(-1, columns.shape[1]))
        return maps[0], maps[1]


@dataclass(frozen=True)
class _FixedBasis:
    """Stands in for a transform when the design is probed: gap k means basis row k."""

    rows: Array

    def basis(self, gap: pd.Series) -> Array:
        return self.rows[np.asarray(gap, dtype=int)]
