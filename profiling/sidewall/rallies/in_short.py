"""Balls charted in short: a word for the gap and the choice, where nobody noted side and stroke.

The value of a ball is linear in its columns (:mod:`sidewall.rallies.value`), so the mean value
of the balls that a short row may stand for is the value of their mean columns. The mean is over
the log's own full balls of the same class of gaps and of the same choice, and of the same side
and so on where the row tells it. A bare midpoint would take a bent curve at one place and every
ball of unknown side for the same ball.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Floats, Ints
from sidewall.court.zones import DEPTHS, OPPONENT_PLACES
from sidewall.features.coded import positions
from sidewall.log.vocabulary import (
    BALANCES,
    CHOICES,
    FAMILIES,
    GAP_CLASS_EDGES_M,
    GAP_CLASSES,
    SIDES,
)

#: Bands in which gaps are kept; the borders of the classes are among their edges, in metres.
_BANDS_M: Final = np.unique([0.05, 0.10, 0.15, 0.30, 0.40, 0.80, 1.20, *GAP_CLASS_EDGES_M])
#: What left the ball: another shot's choice, or the serve.
_LEFT_BY: Final = (*CHOICES, "serve")
#: What a row may tell besides its gap, in the order in which it narrows the balls it stands for,
#: after what left the ball.
_TOLD: Final = {
    **{"choice": CHOICES, "side": SIDES, "family": FAMILIES, "depth": DEPTHS},
    **{"opponent_place": OPPONENT_PLACES, "balance": BALANCES},
}
#: Full balls that a mean must rest on before it is narrowed further, or a word taken as it was
#: used in the log.
LEAST: Final = 20


def gap_class_of(gap_m: Floats) -> Ints:
    """Class of a measured gap, as a position among `GAP_CLASSES`; -1 where it is missing."""
    at = np.searchsorted(GAP_CLASS_EDGES_M, gap_m, side="right")
    return np.where(np.isnan(gap_m), -1, at).astype(np.int64)


def gap_words(table: pd.DataFrame) -> Ints:
    """Gap in words of every row, as a position among `GAP_CLASSES`; -1 where it has none."""
    return _words(table, "gap_class", GAP_CLASSES)


def in_short(table: pd.DataFrame) -> Bools:
    """Rows of a shot or feature table with a gap in words only, or without a side."""
    gap = table["gap_m"].notna().to_numpy()
    word = gap_words(table) >= 0
    side = table["side"].notna().to_numpy()
    serve = (table["stroke"] == "serve").to_numpy(dtype=bool)
    return np.asarray(~serve & (gap | word) & ~(gap & side))


def has_short_rows(table: pd.DataFrame) -> bool:
    """Whether any row of a table is charted in short."""
    return bool(in_short(table).any())


def _words(table: pd.DataFrame, column: str, words: tuple[str, ...]) -> Ints:
    if column not in table.columns:
        return np.full(len(table), -1, dtype=np.int64)
    return positions(table[column], pd.Index(list(words)))


def _keys(table: pd.DataFrame) -> Ints:
    """Band of the gap, its word, what left the ball, and what is told; -1 where blank; (n, 10)."""
    gap = table["gap_m"].to_numpy(dtype=float)
    band = np.where(np.isnan(gap), -1, np.searchsorted(_BANDS_M, gap, side="right"))
    told = [_words(table, column, words) for column, words in _TOLD.items()]
    word = gap_words(table)
    return np.stack([band, word, *_left_by(table, word), *told], axis=1)


def _left_by(table: pd.DataFrame, word: Ints) -> tuple[Ints, Ints]:
    """What left each ball and the class of the gap it met, where the row before is that shot."""
    rally, shot = (table[name].to_numpy() for name in ("rally_id", "shot"))
    choice = _words(table, "choice", CHOICES)
    choice[(table["stroke"] == "serve").to_numpy(dtype=bool)] = _LEFT_BY.index("serve")
    measured = gap_class_of(table["gap_m"].to_numpy(dtype=float))
    met = np.where(word >= 0, word, measured)
    follows = (rally[1:] == rally[:-1]) & (shot[1:] == shot[:-1] + 1)
    before = (np.append(-1, np.where(follows, one[:-1], -1)) for one in (choice, met))
    left_by, from_gap = (one[: len(table)] for one in before)
    return left_by, from_gap


@dataclass(frozen=True)
class FullBalls:
    """Sums of the columns of the full balls of a log, by what a row tells of them.

    `keys`, (k, 10), are sorted, none twice; `n` counts the balls, (k,); `sums` are (k, m).
    """

    keys: Ints
    n: Floats
    sums: Floats

    @classmethod
    def of(cls, table: pd.DataFrame, phi: Floats) -> FullBalls:
        """Add up the full balls of a feature table with their columns `phi`, shape (n, m)."""
        full = table["gap_m"].notna() & table["side"].notna() & table["family"].notna()
        at = full.to_numpy() & (table["stroke"] != "serve").to_numpy(dtype=bool)
        return cls._collapsed(_keys(table)[at], np.ones(int(at.sum())), phi[at])

    @classmethod
    def add_up(cls, parts: Iterable[FullBalls]) -> FullBalls:
        """Sums of all parts of a log."""
        found = list(parts)
        names = ("keys", "n", "sums")
        return cls._collapsed(
            *(np.concatenate([getattr(p, name) for p in found]) for name in names)
        )

    @classmethod
    def _collapsed(cls, keys: Ints, n: Floats, sums: Floats) -> FullBalls:
        found, place = np.unique(keys, axis=0, return_inverse=True)
        place = place.ravel()
        size = len(found)
        each = [np.bincount(place, column, size) for column in (n, *sums.T)]
        # 9 digits: the same sums in whatever order the parts were added up
        added = np.round(np.stack(each, axis=1).astype(float), 9)
        return cls(found, added[:, 0], added[:, 1:])

    def stand_in(self, table: pd.DataFrame, phi: Floats) -> Floats:
        """Columns of every ball, those charted in short replaced by their means.

        Where the log has no full ball of the class, the row's own columns stay.
        """
        short = np.flatnonzero(in_short(table))
        if not len(short) or not len(self.n):
            return phi
        keys, place = np.unique(_keys(table)[short], axis=0, return_inverse=True)
        phi = phi.copy()
        for k, key in enumerate(keys):
            at = self._like(key)
            if self.n[at].any():
                phi[short[place.ravel() == k]] = self.sums[at].sum(axis=0) / self.n[at].sum()
        return phi

    def _like(self, key: Ints) -> Bools:
        """Full balls that a row may stand for."""
        at = self._of_gap(int(key[0]), int(key[1]))
        for column in range(2, len(key)):
            if key[column] >= 0:
                narrower = at & (self.keys[:, column] == key[column])
                at = narrower if self.n[narrower].sum() >= LEAST else at
        return at

    def _of_gap(self, band: int, word: int) -> Bools:
        if band >= 0:
            return np.asarray(self.keys[:, 0] == band)
        said = self.keys[:, 1] == word
        if self.n[said].sum() >= LEAST:  # measured and in words both: the word as it was used
            return np.asarray(said)
        low = np.append(0.0, _BANDS_M)[self.keys[:, 0]]
        return np.asarray(gap_class_of(low) == word)
