"""Which shots can tell attacking from resetting, and what became of the others."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import check_lengths_m, check_words
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.features.shots import shot_features
from sidewall.log.vocabulary import CHOICES, SIDES

if TYPE_CHECKING:
    from sidewall.models.design import Design

#: Why a shot cannot be used, in the order in which it is asked.
REASONS: Final = (
    "not kept",
    "serve",
    "ended in a let",
    "choice neither charted nor derivable",
    "contact not charted",
    "gap not charted",
)

_NEEDED = {"rally_id", "won", "family"}


def usable_shots(
    shots: pd.DataFrame, kept: NDArray[np.bool_] | None = None
) -> tuple[pd.DataFrame, pd.Series]:
    """Keep the shots that can tell attack from reset, and count the others by reason.

    Parameters
    ----------
    shots : DataFrame
        From :func:`sidewall.read_shots` or :func:`sidewall.shot_features`; a column
        ``outcome`` between 0 and 1, where there is one, stands for the rally's result.
    kept : ndarray of bool, shape (n,), optional
        The shots that may be used.

    Returns
    -------
    used : DataFrame
        With ``outcome``, and ``row``, the position in `shots`.
    left_out : Series of int
        Number of shots left out, by reason; each shot counts under its first reason.
    """
    table = shots if set(shots.columns) >= _NEEDED else shot_features(shots)
    if "outcome" not in table.columns:
        table = table.assign(outcome=table["won"])
    fails = [
        np.zeros(len(table), dtype=bool) if kept is None else ~kept,
        table["stroke"] == "serve",
        table["outcome"].isna(),
        table["choice"].isna(),
        table["family"].isna(),
        table["gap_m"].isna(),
    ]
    first = np.select(fails, range(1, len(REASONS) + 1), 0)
    counts = np.bincount(first, minlength=len(REASONS) + 1)[1:]
    left_out = pd.Series(counts, list(REASONS), name="shots")
    used = table.assign(row=np.arange(len(table)))[first == 0].reset_index(drop=True)
    return used, left_out[left_out > 0]


def check_questions(table: pd.DataFrame, design: Design) -> None:
    """Refuse shots of which a fitted model is asked in words that it does not know.

    Raises
    ------
    DataError
        Naming the column and the word; blanks may stand anywhere.
    """
    need_columns(table, ("player", *_asked_of(design), *design.situation))
    words = {"side": SIDES, "family": design.families, "choice": CHOICES}
    for name in _asked_of(design)[:-1]:
        check_words(table[name], words[name], name)
    for name, shares in design.situation.items():
        check_words(table[name], [str(level) for level in shares.index], name)
    gap = table["gap_m"]
    if not pd.api.types.is_numeric_dtype(gap.dtype):
        raise DataError("gap_m holds words; give gaps in metres, such as 0.4")
    check_lengths_m(gap.fillna(0.0).to_numpy() if len(gap) else [0.0], "gap_m")


def answerable(table: pd.DataFrame, design: Design) -> NDArray[np.bool_]:
    """Rows in which everything that a curve needs is known, shape (n,)."""
    return np.asarray(table[list(_asked_of(design))].notna().all(axis=1))


def _asked_of(design: Design) -> tuple[str, ...]:
    family = ("family",) if design.by_family else ()
    return ("side", *family, "choice", "gap_m")
