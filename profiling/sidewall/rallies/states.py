"""States of a rally: what a ball is, seen from the player who is about to strike it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import check_kind, check_length_m, check_lengths_m
from sidewall.errors import DataError
from sidewall.features.coded import as_category
from sidewall.log.vocabulary import FAMILIES, GAP_CLASS_EDGES_M, GAP_CLASSES, SIDES
from sidewall.rallies.in_short import gap_class_of, gap_words, in_short

SERVE: Final = "serve"

#: A state rule takes a feature table and names the state of every shot.
StateRule = Callable[[pd.DataFrame], pd.Series]

#: Edges of the gap bands in metres. They are closer together where most balls are.
BANDS_M: Final = (0.15, 0.30, 0.50, 0.80, 1.20)

#: What tells whose thresholds lie where, and the call that gives such a table.
_NEEDED: Final = ("player", "side", "family", "threshold_m")
_TABLE: Final = "the table of a fitted TightnessModel, model.thresholds()"


@dataclass(frozen=True)
class LooseBall:
    """Is a ball tight or loose for its striker?

    Parameters
    ----------
    thresholds : DataFrame, optional
        As ``TightnessModel.thresholds()`` gives; where a player's threshold is known, it
        is the cut.
    loose_from_m : float, default 0.5
        The cut elsewhere.

    See Also
    --------
    BallStates
    Step
    TightnessModel.thresholds

    Examples
    --------
    >>> loose = sw.LooseBall(model.thresholds(), loose_from_m=0.6)
    >>> loose(sw.shot_features(shots)).value_counts().index.to_list()
    ['tight', 'loose']
    """

    thresholds: pd.DataFrame | None = field(default=None, compare=False)
    loose_from_m: float = 0.5

    def __post_init__(self) -> None:
        check_length_m(self.loose_from_m, "loose_from_m")
        if self.thresholds is not None:
            check_kind(self.thresholds, "DataFrame", "thresholds", _TABLE)
            lacks = [name for name in _NEEDED if name not in self.thresholds]
            if lacks:
                raise DataError(f"thresholds has no column {lacks[0]}; give {_TABLE}")

    def __call__(self, table: pd.DataFrame) -> pd.Series:
        """Name every ball "tight" or "loose"; missing where nothing tells.

        A gap in words is either where its whole class lies on one side of the cut.
        """
        gap, cut = table["gap_m"].to_numpy(dtype=float), self._cut(table)
        code = np.where(np.isnan(gap), -1, gap >= cut).astype(np.int64)
        word = gap_words(table)
        low, high = np.array([0.0, *GAP_CLASS_EDGES_M]), np.array([*GAP_CLASS_EDGES_M, np.inf])
        in_words = np.isnan(gap) & (word >= 0)
        code[in_words & (high[word] <= cut)] = 0
        code[in_words & (low[word] >= cut)] = 1
        return pd.Series(as_category(code, ["tight", "loose"]), index=table.index, name="ball")

    def _cut(self, table: pd.DataFrame) -> np.ndarray:
        if self.thresholds is None:
            return np.full(len(table), self.loose_from_m)
        # thresholds of strokes taken together hold for either family
        together = not set(self.thresholds["family"]) & set(FAMILIES)
        key = ["player", "side"] if together else ["player", "side", "family"]
        known = self.thresholds.set_index(key)["threshold_m"].dropna()
        at = pd.MultiIndex.from_frame(table[key].astype(str))
        return known.reindex(at).fillna(self.loose_from_m).to_numpy()


@dataclass(frozen=True)
class BallStates:
    """The default rule: side, ground stroke or volley, and how loose the ball is.

    Any function from a feature table (see ``sw.shot_features``) to a categorical Series
    of state names can stand in its place.

    Parameters
    ----------
    bands_m : sequence of float
        Inner edges of the gap bands, in metres, rising.
    loose : LooseBall, optional
        Judges the gap in place of the bands: each ball is "tight" or "loose" for its
        striker, by the player's own threshold where that is known.
    in_short : bool, default False
        Give balls that are charted in short (:mod:`sidewall.rallies.in_short`) states of their
        own, one a class of gaps; otherwise their state is missing.

    See Also
    --------
    LooseBall
    RallyChain
    shot_features

    Examples
    --------
    >>> sw.BallStates(bands_m=(0.4,)).names[:3]
    ['serve', 'forehand ground 0-40 cm', 'forehand ground 40+ cm']
    """

    bands_m: Sequence[float] = BANDS_M
    loose: LooseBall | None = None
    in_short: bool = False

    def __post_init__(self) -> None:
        check_lengths_m(self.bands_m, "bands_m")
        if self.loose is not None:
            check_kind(self.loose, "LooseBall", "loose", "sw.LooseBall(model.thresholds())")
        if any(low >= high for low, high in pairwise((0.0, *self.bands_m))):
            raise DataError(f"bands_m must rise from above 0, not {tuple(self.bands_m)}")

    @property
    def bands(self) -> list[str]:
        """Names of the bands, from tight to loose."""
        if self.loose is not None:
            return ["tight", "loose"]
        edges = [f"{100 * edge:g}" for edge in (0.0, *self.bands_m)]
        return [f"{low}-{high} cm" for low, high in pairwise(edges)] + [f"{edges[-1]}+ cm"]

    @property
    def names(self) -> list[str]:
        """Every state, the serve first."""
        balls = product(SIDES, FAMILIES, self.bands)
        in_short = [f"{word}, in short" for word in GAP_CLASSES] if self.in_short else []
        return [SERVE, *(" ".join(ball) for ball in balls), *in_short]

    def __call__(self, table: pd.DataFrame) -> pd.Series:
        """Name the state of every shot of a feature table; missing where it is not known."""
        bands = len(self.bands)
        side = pd.Categorical(table["side"], categories=SIDES).codes.astype(int)
        family = pd.Categorical(table["family"], categories=FAMILIES).codes.astype(int)
        gap = table["gap_m"].to_numpy(dtype=float)
        if self.loose is None:
            band = np.searchsorted(np.asarray(self.bands_m), gap, side="right")
        else:
            band = self.loose(table).cat.codes.to_numpy().astype(np.int64)
        code = 1 + (side * len(FAMILIES) + family) * bands + band
        unknown = (side < 0) | (family < 0) | (band < 0) | np.isnan(gap)
        if self.in_short:
            word = np.where(np.isnan(gap), gap_words(table), gap_class_of(gap))
            first = len(self.names) - len(GAP_CLASSES)
            short = in_short(table) & (word >= 0)
            code, unknown = np.where(short, first + word, code), unknown & ~short
        serve = (table["stroke"] == "serve").to_numpy()
        code = np.where(serve, 0, np.where(unknown, -1, code))
        return pd.Series(as_category(code, self.names), index=table.index, name="state")
