"""Usable shots collapsed to counts: all that the fit takes from a log.

Shots of one player in one match that are alike in side, family, choice, gap and situation
become one row with their number, the sum of their outcomes and the sum of squares. Matches
lie whole in one part of a log, so the parts' tables only have to be put together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.coded import as_category, names_and_codes
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES
from sidewall.models.counts import sums_by
from sidewall.models.kinds import Layout, Rows
from sidewall.models.pooled_rows import Prepared, check_rank, subgroup_index

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: The name of the only family where families are not told apart.
ALL_STROKES = "all strokes"

_WORDS = {"side": SIDES, "family": (*FAMILIES, ALL_STROKES), "choice": CHOICES}


@dataclass(frozen=True)
class CountedShots:
    """Distinct rows, sorted by player, match and kind.

    Attributes
    ----------
    kinds : DataFrame
        One row a kind of shot: ``side``, ``family``, ``choice``, ``gap_m`` and the columns
        of the situation.
    players, matches : Index of str
        Sorted.
    player, match, kind : ndarray of int, shape (n,)
    n, total, square : ndarray, shape (n,)
        Shots, sum of outcomes, sum of their squares.
    """

    kinds: pd.DataFrame
    players: pd.Index
    matches: pd.Index
    player: NDArray[np.int32]
    match: NDArray[np.int32]
    kind: NDArray[np.int32]
    n: Array
    total: Array
    square: Array

    def __len__(self) -> int:
        """Number of distinct rows."""
        return len(self.n)

    @property
    def shots(self) -> int:
        """Number of shots."""
        return int(self.n.sum())

    @cached_property
    def by_kind(self) -> pd.DataFrame:
        """The kinds with ``n`` and ``total`` over all players and matches."""
        sums = {
            name: np.bincount(self.kind, getattr(self, name), len(self.kinds))
            for name in ("n", "total")
        }
        return self.kinds.assign(**sums)

    @cached_property
    def by_player(self) -> CountedShots:
        """Rows of one player and kind put together, matches apart no more."""
        return _collapse(replace(self, match=np.zeros_like(self.match), matches=pd.Index(["all"])))

    def of_matches(self, chosen: NDArray[np.bool_]) -> CountedShots:
        """Rows of some matches."""
        at = chosen[self.match]
        names = ("player", "match", "kind", "n", "total", "square")
        return replace(self, **{name: getattr(self, name)[at] for name in names})

    def together(self) -> CountedShots:
        """Families put together."""
        kinds = self.kinds.assign(family=as_category(np.full(len(self.kinds), 2), _WORDS["family"]))
        codes, place = sorted_kinds(kinds)
        return _collapse(replace(self, kinds=codes, kind=place[self.kind].astype(np.int32)))

    def arranged(self, matches: bool) -> Arranged:
        """Rows in the order of a fit, with or without subgroups for matches."""
        return self._with_matches if matches else self._without_matches

    @cached_property
    def _with_matches(self) -> Arranged:
        return Arranged.of(self, matches=True)

    @cached_property
    def _without_matches(self) -> Arranged:
        return Arranged.of(self.by_player, matches=False)


@dataclass(frozen=True)
class Arranged:
    """Counted rows in the order of a fit; kinds, players and matches without rows left out."""

    counted: CountedShots
    layout: Layout
    order: Ints
    kinds: NDArray[np.integer]
    players: pd.Index
    subgroups: pd.MultiIndex | None

    @classmethod
    def of(cls, counted: CountedShots, matches: bool) -> Arranged:
        """Sort the rows."""
        kinds, kind = np.unique(counted.kind, return_inverse=True)
        players, player = np.unique(counted.player, return_inverse=True)
        names = counted.players[players]
        match = counted.match.astype(np.int64) if matches else None
        layout, order = Layout.sort(player, match, kind)
        pairs = None
        if match is not None:
            pairs = subgroup_index(layout, order, names, match, counted.matches)
        return cls(counted, layout, order, kinds, names, pairs)

    def prepared(self, X: pd.DataFrame, Z: pd.DataFrame, weight: Array) -> Prepared:
        """Rows of a fit.

        Parameters
        ----------
        X, Z : DataFrame, shapes (kinds, p) and (kinds, q)
            Columns of every kind of the counted shots.
        weight : ndarray, shape (kinds,)
            Of a shot of the kind.
        """
        at = self.kinds
        w = weight[at][self.layout.row_kind]
        total, n = (part[self.order] * w for part in (self.counted.total, self.counted.n))
        names = list(X.columns)
        columns = X.to_numpy()[at]
        check_rank(columns.T @ columns, names)
        rows = Rows(self.layout, columns, Z.to_numpy()[at], total, n)
        shots, random = self.counted.shots, list(Z.columns)
        return Prepared(rows, names, random, self.players, self.subgroups, shots, 0.0)


def sorted_kinds(table: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Distinct rows of a table of kinds in order, and the place of every row among them."""
    code = np.zeros(len(table), dtype=np.int64)
    for name in table.columns:
        if isinstance(table[name].dtype, pd.CategoricalDtype):
            part, size = (
                table[name].cat.codes.to_numpy().astype(np.int64),
                table[name].cat.categories,
            )
        else:
            part, size = pd.factorize(table[name], sort=True)
        code = code * (len(size) + 1) + part + 1
    _, first, place = np.unique(code, return_index=True, return_inverse=True)
    return table.iloc[first].reset_index(drop=True), place.astype(np.int64)


def kinds_of(used: pd.DataFrame, situation: Sequence[str]) -> tuple[pd.DataFrame, Ints]:
    """Kinds of a table of usable shots, and the kind of every shot.

    Raises
    ------
    DataError
        When the shots lack a column of the situation.
    """
    columns: dict[str, Any] = {}
    for name, words in _WORDS.items():
        columns[name] = pd.Categorical(used[name], categories=list(words))
    columns["gap_m"] = used["gap_m"].to_numpy(dtype=float)
    for name in situation:
        if name not in used.columns:
            raise DataError(f"the log has no column {name!r} to adjust for")
        values = used[name].reset_index(drop=True)
        columns[name] = values if hasattr(values, "cat") else values.astype("category")
    return sorted_kinds(pd.DataFrame(columns))


def count_used(used: pd.DataFrame, situation: Sequence[str] = ()) -> CountedShots:
    """Collapse usable shots with an ``outcome`` to counts."""
    kinds, kind = kinds_of(used, situation)
    players, player = names_and_codes(used["player"])
    matches, match = names_and_codes(used["match"])
    y = used["outcome"].to_numpy(dtype=float)
    rows = CountedShots(
        kinds,
        players,
        matches,
        player.astype(np.int32),
        match.astype(np.int32),
        kind.astype(np.int32),
        np.ones(len(y)),
        y,
        y * y,
    )
    return _collapse(rows)


def _collapse(rows: CountedShots) -> CountedShots:
    """Add up rows alike in player, match and kind, and put them in order."""
    code = rows.player.astype(np.int64) * len(rows.matches) + rows.match
    code = code * len(rows.kinds) + rows.kind
    found, place = np.unique(code, return_inverse=True)
    rest, kind = np.divmod(found, max(len(rows.kinds), 1))
    player, match = np.divmod(rest, max(len(rows.matches), 1))
    return replace(
        rows,
        player=player.astype(np.int32),
        match=match.astype(np.int32),
        kind=kind.astype(np.int32),
        n=sums_by(place, rows.n, len(found)),
        total=sums_by(place, rows.total, len(found)),
        square=sums_by(place, rows.square, len(found)),
    )


def put_together(parts: Sequence[CountedShots]) -> CountedShots:
    """Counted shots of all parts of a log; the order of the parts does not matter."""
    if len(parts) == 1:
        return parts[0]
    kinds, place = sorted_kinds(_one_below_another([part.kinds for part in parts]))
    places = np.split(place, np.cumsum([len(part.kinds) for part in parts])[:-1])
    players, matches = (
        pd.Index(sorted(set().union(*(getattr(part, name) for part in parts))))
        for name in ("players", "matches")
    )
    codes: dict[str, list[NDArray[np.int32]]] = {"player": [], "match": [], "kind": []}
    for part, where in zip(parts, places, strict=True):
        codes["player"].append(players.get_indexer(part.players).astype(np.int32)[part.player])
        codes["match"].append(matches.get_indexer(part.matches).astype(np.int32)[part.match])
        codes["kind"].append(where.astype(np.int32)[part.kind])
    return _collapse(
        CountedShots(
            kinds,
            players,
            matches,
            np.concatenate(codes["player"]),
            np.concatenate(codes["match"]),
            np.concatenate(codes["kind"]),
            np.concatenate([part.n for part in parts]),
            np.concatenate([part.total for part in parts]),
            np.concatenate([part.square for part in parts]),
        )
    )


def _one_below_another(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Tables of kinds, categories of the situation brought together."""
    columns: dict[str, Any] = {}
    for name in tables[0].columns:
        some = [table[name] for table in tables]
        if name == "gap_m":
            columns[name] = np.concatenate([part.to_numpy() for part in some])
            continue
        words = list(dict.fromkeys(word for part in some for word in part.cat.categories))
        if any(list(part.cat.categories) != words for part in some):
            words = sorted(words, key=str)
        columns[name] = np.concatenate([part.astype(object).to_numpy() for part in some])
        columns[name] = pd.Categorical(columns[name], categories=words)
    return pd.DataFrame(columns)
