"""Cells of the model: side by stroke family, told apart only where the log carries it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from sidewall.errors import DataError
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES

#: The name of the only family where families are not told apart.
ALL_STROKES: Final = "all strokes"

#: With fewer shots than this in some cell of the whole log, families are put together.
LEAST_IN_CELL: Final = 20

_LEAST_BY_SIDE: Final = 8
_MEND: Final = {
    "choice": "chart the choice, or give read_shots a choice table",
    "side": "chart both sides",
}


def families_told_apart(used: pd.DataFrame) -> tuple[tuple[str, ...], list[str]]:
    """Decide whether ground strokes and volleys get curves of their own.

    Parameters
    ----------
    used : DataFrame
        From :func:`~sidewall.models.usable.usable_shots`.

    Returns
    -------
    families : tuple of str
        ``("ground", "volley")`` or ``("all strokes",)``.
    notes : list of str
        Why they were put together, if they were.
    """
    if "contact" not in used.columns:
        return (ALL_STROKES,), ["contact not charted: strokes of all kinds taken together"]
    counts = _counts(used, "family").reindex(
        pd.MultiIndex.from_product([SIDES, FAMILIES, CHOICES]), fill_value=0
    )
    if counts.min() >= LEAST_IN_CELL:
        return FAMILIES, []
    rarest = " ".join(counts.index[int(counts.to_numpy().argmin())])
    return (ALL_STROKES,), [
        f"only {counts.min()} charted: {rarest} (at least {LEAST_IN_CELL} "
        "needed); ground strokes and volleys taken together"
    ]


def check_choices(used: pd.DataFrame, left_out: pd.Series) -> None:
    """Refuse a log in which some side has too few attacks or resets for a curve.

    Raises
    ------
    DataError
        Naming the side, the choice and how many there are.
    """
    if len(used) == 0:
        why = "; ".join(f"{reason}: {n}" for reason, n in left_out.items()) or "the log is empty"
        raise DataError(
            f"no shot can be used ({why}); chart whole rallies with side, stroke, gap and result"
        )
    by = [used["side"].astype(str), used["choice"].astype(str)]
    every = pd.MultiIndex.from_product([SIDES, CHOICES])
    counts = used.groupby(by).size().reindex(every, fill_value=0)
    gaps = used.groupby(by)["gap_m"].nunique().reindex(every, fill_value=0)
    if len(used) >= len(every) * _LEAST_BY_SIDE:
        for column, words in (("choice", CHOICES), ("side", SIDES)):
            _check_met(used, column, words)
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


def _check_met(used: pd.DataFrame, column: str, words: Sequence[str]) -> None:
    counts = used[column].value_counts()
    for word in words:
        if counts.get(word, 0) == 0:
            raise DataError(
                f"the log has no {word} among its {len(used)} usable shots, so there is "
                f"nothing to compare; {_MEND[column]}"
            )


def check_columns(used: pd.DataFrame, situation: Sequence[str]) -> None:
    """Refuse situation columns that the log does not have."""
    for column in situation:
        if column not in used.columns:
            raise DataError(f"the log has no column {column!r} to adjust for")


def _counts(used: pd.DataFrame, *between: str) -> pd.Series:
    keys = [used[name].astype(str) for name in ("side", *between, "choice")]
    return used.groupby(keys).size()


def cell_counts(
    used: pd.DataFrame, players: list[str], cells: list[tuple[str, str]]
) -> pd.DataFrame:
    """Attacks, resets and rallies by player, side and family, zeros included."""
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


def widest_gaps(used: pd.DataFrame, cells: list[tuple[str, str]]) -> pd.Series:
    """Widest gap to speak of in each cell: the 99th percentile of those met."""
    keys = [used[name].astype(str) for name in ("side", "family")]
    met = used.groupby(keys)["gap_m"].quantile(0.99)
    return met.reindex(pd.MultiIndex.from_tuples(cells)).astype(np.float64)
