"""Cells of the model: side by stroke family, told apart only where the log carries it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.coded import positions
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES
from sidewall.models.counted import ALL_STROKES, CountedShots
from sidewall.models.transforms import counted_quantiles

#: With fewer shots than this in some cell of the whole log, families are put together.
LEAST_IN_CELL: Final = 20

_LEAST_BY_SIDE: Final = 8
_MEND: Final = {
    "choice": "chart the choice, or give read_shots a choice table",
    "side": "chart both sides",
}


def families_told_apart(
    counted: CountedShots, columns: Sequence[str]
) -> tuple[tuple[str, ...], list[str]]:
    """Decide whether ground strokes and volleys get curves of their own.

    Parameters
    ----------
    counted : CountedShots
    columns : sequence of str
        Columns of the log.

    Returns
    -------
    families : tuple of str
        ``("ground", "volley")`` or ``("all strokes",)``.
    notes : list of str
        Why they were put together, if they were.
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


def check_choices(counted: CountedShots, left_out: pd.Series) -> None:
    """Refuse a log in which some side has too few attacks or resets for a curve.

    Raises
    ------
    DataError
        Naming the side, the choice and how many there are.
    """
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


def cell_of(side: pd.Series, family: pd.Series, cells: list[tuple[str, str]]) -> NDArray[np.int64]:
    """Position of each side and family among the cells."""
    families = pd.Index(dict.fromkeys(family for _, family in cells))
    return positions(side, pd.Index(SIDES)) * len(families) + positions(family, families)


def choice_counts(
    counted: CountedShots, players: pd.Index, cells: list[tuple[str, str]]
) -> NDArray[np.int64]:
    """Attacks and resets, shape (players, cells, 2), zeros included."""
    kinds = counted.kinds
    cell = cell_of(kinds["side"], kinds["family"], cells)
    code = cell * 2 + kinds["choice"].cat.codes.to_numpy()
    at = players.get_indexer(counted.players)[counted.player] * (2 * len(cells))
    n = np.bincount(at + code[counted.kind], counted.n, len(players) * len(cells) * 2)
    return n.astype(np.int64).reshape(len(players), len(cells), 2)


def cell_counts(
    used: pd.DataFrame, players: list[str], cells: list[tuple[str, str]]
) -> pd.DataFrame:
    """Attacks, resets and rallies by player, side and family of a table, zeros included."""
    keys = [used[name].astype(str) for name in ("player", "side", "family")]
    by = used.assign(attack=used["choice"] == "attack").groupby(keys)
    table = pd.DataFrame(
        {
            "n_attack": by["attack"].sum(),
            "n_reset": by["attack"].size() - by["attack"].sum(),
            "n_rallies": by["rally_id"].nunique(),
        }
    )
    every = pd.MultiIndex.from_tuples([(player, *cell) for player in players for cell in cells])
    return table.reindex(every, fill_value=0).astype(int)


def widest_gaps(counted: CountedShots, cells: list[tuple[str, str]]) -> pd.Series:
    """Widest gap to speak of in each cell: the 99th percentile of those met."""
    kinds = counted.by_kind
    cell = cell_of(kinds["side"], kinds["family"], cells)
    widest = np.full(len(cells), np.nan)
    for k in np.unique(cell):
        met = kinds[cell == k]
        widest[k] = counted_quantiles(met["gap_m"].to_numpy(), met["n"].to_numpy(), [0.99])[0]
    return pd.Series(widest, pd.MultiIndex.from_tuples(cells), name="gap_m")
