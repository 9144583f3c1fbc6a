"""The gain of a lower ball: chance of winning by the height at which the ball met the wall."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.models.transforms import GapTransform
from sidewall.placement.player_curves import PlayerCurves

#: Fewest heights of a stroke.
_LEAST = 60


class HeightGain:
    """Log odds of winning for one stroke by height, pooled over players.

    Beside the height: side, pressure and the incoming gap, since an easy ball is both struck
    lower and won more often. Level and slope are each player's own.

    Parameters
    ----------
    curve : {"linear", "log1p", "spline"}
    prior_scale : float
    seed : int

    Attributes
    ----------
    curves_ : PlayerCurves
    transform_ : GapTransform
    highest_m : float
        99 in 100 heights were lower: nothing is said beyond.
    """

    def __init__(
        self,
        curve: Literal["linear", "log1p", "spline"],
        prior_scale: float,
        seed: int,
    ) -> None:
        self.curve = curve
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(self, rows: pd.DataFrame) -> HeightGain:
        """Estimate the curves of all players from the shots of one stroke.

        Raises
        ------
        DataError, SeparationError
            With too few heights above the tin, or results that cannot be fitted.
        """
        known = rows[rows["height_m"].notna() & rows["won"].notna()]
        if len(known) < _LEAST:
            raise DataError(
                f"{len(known)} heights above the tin, and {_LEAST} are needed for the gain of a "
                "lower ball"
            )
        self._rows = rows
        self.transform_ = GapTransform.fit(self.curve, known["height_m"])
        X = self._columns(known)
        vary = ["constant", *[name for name in X.columns if name.startswith("height")]]
        self.curves_ = PlayerCurves(self.prior_scale, self.seed)
        self.curves_.fit(known["won"], X, vary, known)
        self.highest_m = float(known["height_m"].quantile(0.99))
        return self

    def _columns(self, rows: pd.DataFrame) -> pd.DataFrame:
        basis = self.transform_.basis(rows["height_m"])
        X = pd.DataFrame({"constant": 1.0}, index=rows.index)
        for k in range(basis.shape[1]):
            X[f"height {k}"] = basis[:, k]
        for name in ("side", "pressure"):
            words = rows[name].astype(str)
            for word in sorted(words.unique())[1:]:
                X[f"{name} {word}"] = (words == word).astype(float)
        X["gap"] = _looseness(rows)
        return X if X["gap"].std() > 1e-9 else X.drop(columns="gap")

    def line(self, player: str | None, side: str, pressure: str) -> tuple[Array, Array]:
        """Intercept and slopes of the height, and their covariance.

        Parameters
        ----------
        player
            The middle of all players if None.
        side, pressure
            The cell, at its own mean incoming gap.

        Returns
        -------
        values : ndarray, shape (1 + k,)
        covariance : ndarray, shape (1 + k, 1 + k)
        """
        values, covariance = self.curves_.of(player)
        names = self.curves_.columns_
        heights = [k for k, name in enumerate(names) if name.startswith("height")]
        pick = np.zeros((1 + len(heights), len(names)))
        pick[0, 0] = 1.0
        for word in (f"side {side}", f"pressure {pressure}"):
            if word in names:
                pick[0, names.index(word)] = 1.0
        if "gap" in names:
            mask = self._rows["side"].astype(str) == side
            mask &= self._rows["pressure"].astype(str) == pressure
            if player is not None:
                mask &= self._rows["player"].astype(str) == player
            pick[0, names.index("gap")] = _looseness(self._rows[mask]).mean()
        pick[range(1, 1 + len(heights)), heights] = 1.0
        return pick @ values, pick @ covariance @ pick.T


def _looseness(rows: pd.DataFrame) -> pd.Series:
    """The incoming gap on a bending scale; the middle where it is not known."""
    gap = np.log1p(rows["gap_m"].astype(float) / 0.25) - np.log1p(2.0)
    return gap.fillna(0.0)
