"""Which shots can tell attacking from resetting, and what became of the others."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.features.shots import shot_features

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
