"""Usable shots collapsed to counts: all that the fit takes from a log.

Shots of one player against one opponent that are alike in side, way of meeting the ball,
choice, stroke, situation and gap (to half a centimetre) become one row with their number,
the sum of their outcomes and the sum of squares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Floats, Ints
from sidewall.features.coded import as_category, positions
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES, STROKES

#: The name of the only family where families are not told apart.
ALL_STROKES: Final = "all strokes"
#: Gaps are counted to this step: no charter sees half a centimetre.
STEP_M: Final = 0.005

_WORDS: Final = {
    "side": SIDES,
    "family": (*FAMILIES, ALL_STROKES),
    "choice": CHOICES,
    "stroke": STROKES,
}


def sums_by(code: Ints, values: Floats, size: int) -> Floats:
    """Sums of values by code, as floats even where nothing is added."""
    return np.bincount(code, values, size).astype(float)


@dataclass(frozen=True)
class CountedShots:
    """Distinct rows by player, opponent and kind: `n` shots, sums of outcomes and of squares.

    All are of shape (n,). A row of `kinds` is a kind of shot: ``side``, ``family``, ``choice``,
    ``stroke``, the columns of the situation, and ``gap_m``. `players` are strikers and opponents.
    """

    kinds: pd.DataFrame
    players: pd.Index
    player: Ints
    opponent: Ints
    kind: Ints
    n: Floats
    total: Floats
    square: Floats

    def __len__(self) -> int:
        """Number of distinct rows."""
        return len(self.n)

    @cached_property
    def playing(self) -> Ints:
        """Positions of the players who have own shots, rising."""
        return np.unique(self.player)

    @property
    def shots(self) -> int:
        """Number of shots."""
        return int(self.n.sum())

    @cached_property
    def by_kind(self) -> pd.DataFrame:
        """The kinds with ``n`` and ``total`` over all players."""
        sums = {
            name: sums_by(self.kind, getattr(self, name), len(self.kinds))
            for name in ("n", "total")
        }
        return self.kinds.assign(**sums)

    def of_choice(self, choice: str) -> CountedShots:
        """Rows of one choice."""
        at = (self.kinds["choice"] == choice).to_numpy()[self.kind]
        names = ("player", "opponent", "kind", "n", "total", "square")
        return replace(self, **{name: getattr(self, name)[at] for name in names})

    def together(self) -> CountedShots:
        """Families put together."""
        kinds = self.kinds.assign(family=as_category(np.full(len(self.kinds), 2), _WORDS["family"]))
        found, place = sorted_kinds(kinds)
        return _collapse(replace(self, kinds=found, kind=place[self.kind]))


def sorted_kinds(table: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Distinct rows of a table of kinds in order, and the place of every row among them."""
    code = np.zeros(len(table), dtype=np.int64)
    for name in table.columns:
        if name == "gap_m":
            part, size = np.rint(table[name].to_numpy() / STEP_M).astype(np.int64), 1 << 12
        else:
            part = table[name].cat.codes.to_numpy().astype(np.int64) + 1
            size = len(table[name].cat.categories) + 1
        code = code * size + part
    _, first, place = np.unique(code, return_index=True, return_inverse=True)
    return table.iloc[first].reset_index(drop=True), place.astype(np.int64)


def kind_columns(used: pd.DataFrame, situation: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """What tells kinds apart, for every shot of a table; gaps to half a centimetre."""
    columns: dict[str, Any] = {}
    for name, words in {**_WORDS, **situation}.items():
        columns[name] = as_category(positions(used[name], pd.Index(list(words))), words)
    columns["gap_m"] = np.rint(used["gap_m"].to_numpy(dtype=float) / STEP_M) * STEP_M
    return pd.DataFrame(columns)


def count_used(
    used: pd.DataFrame, situation: Mapping[str, Sequence[str]], players: pd.Index
) -> CountedShots:
    """Collapse usable shots with an ``outcome`` to counts."""
    kinds, kind = sorted_kinds(kind_columns(used, situation))
    # 9 digits: the values of a ball are the same whatever order their sums were added up in
    y = np.round(used["outcome"].to_numpy(dtype=float), 9)
    player, opponent = (positions(used[name], players) for name in ("player", "opponent"))
    ones = np.ones(len(y))
    return _collapse(
        CountedShots(kinds, players, player, opponent, kind, ones, y, np.round(y * y, 9))
    )


def _collapse(rows: CountedShots) -> CountedShots:
    """Add up rows alike in player, opponent and kind, and put them in order."""
    size = len(rows.players)
    code = (rows.player * size + rows.opponent) * max(len(rows.kinds), 1) + rows.kind
    found, place = np.unique(code, return_inverse=True)
    pair, kind = np.divmod(found, max(len(rows.kinds), 1))
    player, opponent = np.divmod(pair, max(size, 1))
    n, total, square = (
        np.round(sums_by(place, part, len(found)), 9) for part in (rows.n, rows.total, rows.square)
    )
    return CountedShots(rows.kinds, rows.players, player, opponent, kind, n, total, square)


def put_together(parts: Sequence[CountedShots]) -> CountedShots:
    """Counted shots of all parts of a log; the order of the parts does not matter."""
    if len(parts) == 1:
        return parts[0]
    kinds, place = sorted_kinds(pd.concat([part.kinds for part in parts], ignore_index=True))
    places = np.split(place, np.cumsum([len(part.kinds) for part in parts])[:-1])
    kind = np.concatenate([where[p.kind] for p, where in zip(parts, places, strict=True)])
    names = ("player", "opponent", "n", "total", "square")
    joined = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return _collapse(CountedShots(kinds, parts[0].players, kind=kind, **joined))
