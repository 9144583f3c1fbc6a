"""Which shots can tell attacking from resetting, and what the log can tell apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.coded import positions
from sidewall.features.shots import with_features
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES
from sidewall.models.counted import ALL_STROKES, CountedShots
from sidewall.models.transforms import counted_quantiles
from sidewall.rallies.in_short import in_short

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
