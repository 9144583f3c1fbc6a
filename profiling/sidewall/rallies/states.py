"""States of a rally: what a ball is, seen from the player who is about to strike it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from typing import Final

import numpy as np
import pandas as pd

from sidewall.errors import DataError
from sidewall.features.coded import as_category
from sidewall.log.vocabulary import FAMILIES, SIDES

SERVE: Final = "serve"

#: A state rule takes a feature table and names the state of every shot.
StateRule = Callable[[pd.DataFrame], pd.Series]

#: Edges of the gap bands in metres. They are closer together where most balls are.
BANDS_M: Final = (0.15, 0.30, 0.50, 0.80, 1.20)


@dataclass(frozen=True)
class BallStates:
    """The default rule: side, ground stroke or volley, and how loose the ball is.

    Any function from a feature table (see ``sw.shot_features``) to a categorical Series
    of state names can stand in its place.

    Parameters
    ----------
    bands_m : sequence of float
        Inner edges of the gap bands, in metres, rising.
    thresholds : DataFrame, optional
        Loose thresholds, as ``TightnessModel.thresholds()`` gives. Where a player's is
        known, the ball is "tight" or "loose" for that player; elsewhere it is judged by
        `loose_from_m`. The bands are then not used.
    loose_from_m : float, default 0.5
        The cut where a threshold is not known.

    Examples
    --------
    >>> BallStates(bands_m=(0.4,)).names[:3]
    ['serve', 'forehand ground 0-40 cm', 'forehand ground 40+ cm']
    """

    bands_m: Sequence[float] = BANDS_M
    thresholds: pd.DataFrame | None = field(default=None, compare=False)
    loose_from_m: float = 0.5

    def __post_init__(self) -> None:
        if any(low >= high for low, high in pairwise((0.0, *self.bands_m))):
            raise DataError(f"bands_m must rise from above 0, not {tuple(self.bands_m)}")

    @property
    def bands(self) -> list[str]:
        """Names of the bands, from tight to loose."""
        if self.thresholds is not None:
            return ["tight", "loose"]
        edges = [f"{100 * edge:g}" for edge in (0.0, *self.bands_m)]
        return [f"{low}-{high} cm" for low, high in pairwise(edges)] + [f"{edges[-1]}+ cm"]

    @property
    def names(self) -> list[str]:
        """Every state, the serve first."""
        balls = product(SIDES, FAMILIES, self.bands)
        return [SERVE, *(" ".join(ball) for ball in balls)]

    def __call__(self, table: pd.DataFrame) -> pd.Series:
        """Name the state of every shot of a feature table; missing where it is not known."""
        bands = len(self.bands)
        side = pd.Categorical(table["side"], categories=SIDES).codes.astype(int)
        family = pd.Categorical(table["family"], categories=FAMILIES).codes.astype(int)
        gap = table["gap_m"].to_numpy(dtype=float)
        if self.thresholds is None:
            band = np.searchsorted(np.asarray(self.bands_m), gap, side="right")
        else:
            band = (gap >= self._cut(table)).astype(int)
        code = 1 + (side * len(FAMILIES) + family) * bands + band
        unknown = (side < 0) | (family < 0) | np.isnan(gap)
        serve = (table["stroke"] == "serve").to_numpy()
        code = np.where(serve, 0, np.where(unknown, -1, code))
        return pd.Series(as_category(code, self.names), index=table.index, name="state")

    def _cut(self, table: pd.DataFrame) -> np.ndarray:
        """The gap from which each shot's ball is loose for its striker."""
        assert self.thresholds is not None
        key = ["player", "side", "family"]
        known = self.thresholds.set_index(key)["threshold_m"].dropna()
        at = pd.MultiIndex.from_frame(table[key].astype(str))
        return known.reindex(at).fillna(self.loose_from_m).to_numpy()
