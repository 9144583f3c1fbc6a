"""Which shots can tell attack from reset, collapsed to counts: all that the fit takes from a log.

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
from numpy.typing import NDArray

from sidewall.arguments import Floats, Ints
from sidewall.errors import DataError
from sidewall.features.coded import as_category, positions
from sidewall.features.shots import with_features
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES, STROKES
from sidewall.models.curves import counted_quantiles
from sidewall.rallies.in_short import in_short

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


#: Why a shot cannot be used, in the order in which it is asked.
REASONS: Final = (
    "not kept",
    "serve",
    "ended in a let",
    "charted in short: no side, or the gap in words",
    "choice neither charted nor derivable",
    "contact not charted",
    "gap not charted",
)
#: With fewer shots than this in some cell of the whole log, families are put together, and
#: with fewer of a level it is not told apart.
LEAST_IN_CELL: Final = 20

_LEAST_BY_SIDE: Final = 8
_MEND: Final = {
    "choice": "chart the choice, or give read_shots a choice table",
    "side": "chart both sides",
}


def usable_shots(
    shots: pd.DataFrame, kept: NDArray[np.bool_] | None = None
) -> tuple[pd.DataFrame, pd.Series]:
    """Keep the shots that can tell attack from reset, and count the others by their first reason.

    A column ``outcome`` between 0 and 1, where there is one, stands for the rally's result; `kept`,
    (n,), are the shots that may be used. The table has ``outcome``, and ``row``, the position in
    `shots`.
    """
    table = with_features(shots)
    if "outcome" not in table.columns:
        table = table.assign(outcome=table["won"])
    fails = [
        np.zeros(len(table), dtype=bool) if kept is None else ~kept,
        table["stroke"] == "serve",
        table["outcome"].isna(),
        in_short(table),
        table["choice"].isna(),
        table["family"].isna(),
        table["gap_m"].isna(),
    ]
    first = np.select(fails, range(1, len(REASONS) + 1), 0)
    counts = np.bincount(first, minlength=len(REASONS) + 1)[1:]
    left_out = pd.Series(counts, list(REASONS), name="shots")
    used = table.assign(row=np.arange(len(table)))[first == 0].reset_index(drop=True)
    return used, left_out[left_out > 0]


def families_told_apart(
    counted: CountedShots, columns: Sequence[str]
) -> tuple[tuple[str, ...], list[str]]:
    """Decide whether ground strokes and volleys get curves of their own, and if not, say why.

    The families are ``("ground", "volley")`` or ``("all strokes",)``.
    """
    if "contact" not in columns:
        return (ALL_STROKES,), ["contact not charted: strokes of all kinds taken together"]
    kinds = counted.by_kind
    keys = [kinds[name].astype(str) for name in ("side", "family", "choice")]
    every = pd.MultiIndex.from_product([SIDES, FAMILIES, CHOICES])
    counts = kinds.groupby(keys)["n"].sum().reindex(every, fill_value=0).astype(int)
    if counts.min() >= LEAST_IN_CELL:
        return FAMILIES, []
    rarest = " ".join(counts.index[int(counts.to_numpy().argmin())])
    return (ALL_STROKES,), [
        f"only {counts.min()} charted: {rarest} (at least {LEAST_IN_CELL} "
        "needed); ground strokes and volleys taken together"
    ]


def levels_told_apart(
    met: Mapping[str, pd.Series], words: Mapping[str, Sequence[str]]
) -> tuple[dict[str, tuple[str, ...]], list[str]]:
    """Levels of the situation that were met often enough, and what was left out, and why.

    `met` has the shots by level of every column, `words` the order in which tables list levels. A
    column with fewer than two such levels is left out.
    """
    levels: dict[str, tuple[str, ...]] = {}
    notes = []
    for column, counts in met.items():
        order = [*(word for word in words.get(column, ()) if word in counts.index)]
        order += sorted(str(word) for word in counts.index if word not in order)
        kept = tuple(word for word in order if counts[word] >= LEAST_IN_CELL)
        rare = [f"{word} ({int(counts[word])})" for word in order if word not in kept]
        if not order:  # not charted at all
            continue
        if len(kept) < 2:
            notes.append(f"{column}: fewer than two kinds charted often enough to tell apart")
            continue
        levels[column] = kept
        if rare:
            notes.append(f"{column}: charted too seldom to tell apart: {', '.join(rare)}")
    return levels, notes


def check_choices(counted: CountedShots, left_out: pd.Series) -> None:
    """Refuse a log in which some side has too few attacks or resets for a curve."""
    if len(counted) == 0:
        why = "; ".join(f"{reason}: {n}" for reason, n in left_out.items()) or "the log is empty"
        raise DataError(
            f"no shot can be used ({why}); chart whole rallies with side, stroke, gap and result"
        )
    kinds = counted.by_kind
    grouped = kinds.groupby([kinds["side"].astype(str), kinds["choice"].astype(str)])
    every = pd.MultiIndex.from_product([SIDES, CHOICES])
    counts = grouped["n"].sum().reindex(every, fill_value=0).astype(int)
    gaps = grouped["gap_m"].nunique().reindex(every, fill_value=0)
    if counted.shots >= len(every) * _LEAST_BY_SIDE:
        for column, words in (("choice", CHOICES), ("side", SIDES)):
            _check_met(kinds, column, words)
    few = counts[counts < _LEAST_BY_SIDE]
    if len(few):
        short = "; ".join(f"{' '.join(cell)}: {n}" for cell, n in zip(few.index, few, strict=True))
        raise DataError(
            f"too few shots for a curve of each side and choice ({short}; at least "
            f"{_LEAST_BY_SIDE} needed, all players together). Chart more rallies, or read "
            "several logs together"
        )
    flat = gaps[gaps < 2]
    if len(flat):
        raise DataError(
            f"every {' '.join(flat.index[0])} was met at the same gap, so no curve can be drawn "
            "against it; check the gap column"
        )


def _check_met(kinds: pd.DataFrame, column: str, words: Sequence[str]) -> None:
    counts = kinds.groupby(kinds[column].astype(str))["n"].sum()
    for word in words:
        if counts.get(word, 0) == 0:
            raise DataError(
                f"the log has no {word} among its {counts.sum():.0f} usable shots, so there is "
                f"nothing to compare; {_MEND[column]}"
            )


def cell_of(side: pd.Series, family: pd.Series, families: Sequence[str]) -> NDArray[np.int64]:
    """Position of each side and family among the cells, sides first; -1 where one is unknown."""
    names = pd.Index(list(families))
    at_side, at_family = positions(side, pd.Index(SIDES)), positions(family, names)
    return np.where((at_side < 0) | (at_family < 0), -1, at_side * len(names) + at_family)


def widest_gaps(counted: CountedShots, cells: list[tuple[str, str]]) -> pd.Series:
    """Widest gap to speak of in each cell: the 99th percentile of those met."""
    kinds = counted.by_kind
    families = list(dict.fromkeys(family for _, family in cells))
    cell = cell_of(kinds["side"], kinds["family"], families)
    widest = np.full(len(cells), np.nan)
    for k in np.unique(cell):
        met = kinds[cell == k]
        widest[k] = counted_quantiles(met["gap_m"].to_numpy(), met["n"].to_numpy(), [0.99])[0]
    return pd.Series(widest, pd.MultiIndex.from_tuples(cells), name="gap_m")
