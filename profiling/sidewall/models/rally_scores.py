"""What a fit needs from the rallies themselves: their scores, and how many there were.

The fit is made on counts, in which rallies are no more. Its errors need every rally once
again: this is the last pass over the parts of a log.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.features.coded import positions
from sidewall.log.vocabulary import SIDES
from sidewall.models.cleared import Clearing, Scores
from sidewall.models.counted import kinds_of
from sidewall.models.design import Design
from sidewall.models.outcome import Judge
from sidewall.models.prediction import ShiftScore

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class RallyScores:
    """Sums of one part.

    Attributes
    ----------
    scores : Scores
    rallies : ndarray of int, shape (players, cells + families)
        Rallies in which a player struck a usable shot of a cell, or of a family.
    place : ndarray of int, shape (k,)
        Pairs and balls whose values stand for outcomes, rising.
    x, f : ndarray, shapes (k, p) and (k, q)
        Weighted sums of the cleared columns over the shots of each place.
    """

    scores: Scores
    rallies: Ints
    place: Ints
    x: Array
    f: Array


@dataclass(frozen=True)
class RallyScorePart:
    """Adds up the rallies of a part of a log under a fit."""

    judge: Judge
    design: Design
    players: pd.Index
    matches: pd.Index
    subgroup: Ints | None  # player * matches + match, rising
    dispersion: pd.Series
    clearing: Clearing

    def __call__(self, table: pd.DataFrame) -> RallyScores:
        """Add up those of a feature table."""
        used, _ = self.judge.usable(table)
        kinds, kind = kinds_of(used, list(self.design.situation))
        X, Z = (
            part.to_numpy()[kind] for part in (self.design.fixed(kinds), self.design.random(kinds))
        )
        weight = 1.0 / kinds["choice"].astype(str).map(self.dispersion).to_numpy(dtype=float)[kind]
        group = positions(used["player"], self.players)
        subgroup = None
        if self.subgroup is not None:
            match = positions(used["match"], self.matches)
            subgroup = np.searchsorted(self.subgroup, group * len(self.matches) + match)
        rally = used["rally_id"].to_numpy()
        F, Xc = self.clearing.rows(X, Z, group, subgroup)
        win = self.clearing.probability(X, Z, group, subgroup)
        residual = weight * (used["outcome"].to_numpy(dtype=float) - win)
        scores = self.clearing.scores(Xc, F, residual, group, rally)
        rallies = self._rallies(kinds, kind, group, rally)
        place = np.full(len(used), -1)
        if self.judge.worth is not None:
            place = used["place"].to_numpy()
        order = np.argsort(place, kind="stable")
        order = order[np.searchsorted(place[order], 0) :]
        found, start = np.unique(place[order], return_index=True)
        if not len(found):
            # copies: a view would hold all rows of the part
            return RallyScores(scores, rallies, found, Xc[:0].copy(), F[:0].copy())
        x, f = (
            np.add.reduceat(part[order] * weight[order, None], start, axis=0) for part in (Xc, F)
        )
        return RallyScores(scores, rallies, found, x, f)

    def _rallies(self, kinds: pd.DataFrame, kind: Ints, group: Ints, rally: Ints) -> Ints:
        cells, families = self.design.cells, self.design.families
        size = len(cells) + len(families)
        family = np.zeros(len(kinds), dtype=np.int64)
        if len(families) > 1:
            family = positions(kinds["family"], pd.Index(families))
        cell = positions(kinds["side"], pd.Index(SIDES)) * len(families) + family
        found = np.zeros(len(self.players) * size, dtype=np.int64)
        several = int(rally.max(initial=0)) + 1
        for column in (cell, len(cells) + family):
            codes = np.unique((group * size + column[kind]) * several + rally) // several
            found += np.bincount(codes, minlength=len(found))
        return found.reshape(len(self.players), size)


def add_rallies(found: Iterable[RallyScores]) -> RallyScores:
    """Sums over all parts."""
    parts = list(found)
    scores = sum((part.scores for part in parts[1:]), start=parts[0].scores)
    place = np.concatenate([part.place for part in parts])
    x, f = (np.concatenate([getattr(part, name) for part in parts]) for name in ("x", "f"))
    if len(parts) > 1 and len(place):
        order = np.argsort(place, kind="stable")
        place, start = np.unique(place[order], return_index=True)
        x, f = (np.add.reduceat(part[order], start, axis=0) for part in (x, f))
    rallies = np.sum([part.rallies for part in parts], axis=0)
    return RallyScores(scores, rallies, place, x, f)


def shift_scores(
    sums: RallyScores, shifts: Iterator[Array], group_of_place: Ints, groups: int
) -> Iterator[ShiftScore]:
    """Scores that other values of the balls would move.

    Parameters
    ----------
    sums : RallyScores
    shifts : iterator of ndarray
        Differences of values, by place.
    group_of_place : ndarray of int, shape (k,)
        Group of the striker at each of ``sums.place``, rising.
    groups : int
    """
    present, start = np.unique(group_of_place, return_index=True)
    for shift in shifts:
        moved = shift[sums.place]
        own = np.zeros((groups, sums.f.shape[1]))
        if len(present):
            own[present] = np.add.reduceat(sums.f * moved[:, None], start, axis=0)
        yield sums.x.T @ moved, own
