"""Which shots can tell attacking from resetting, and what became of the others."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sidewall.features.shots import shot_features

_NEEDED = {"rally_id", "won", "family"}


def usable_shots(shots: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Keep the shots that can tell attack from reset, and count the others by reason.

    Parameters
    ----------
    shots : DataFrame
        From :func:`sidewall.read_shots` or :func:`sidewall.shot_features`; a column
        ``outcome`` between 0 and 1, where there is one, stands for the rally's result.

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
    reasons = {
        "serve": table["stroke"] == "serve",
        "ended in a let": table["outcome"].isna(),
        "choice neither charted nor derivable": table["choice"].isna(),
        "contact not charted": table["family"].isna(),
        "gap not charted": table["gap_m"].isna(),
    }
    first = np.select(list(reasons.values()), range(1, len(reasons) + 1), 0)
    counts = np.bincount(first, minlength=len(reasons) + 1)[1:]
    left_out = pd.Series(counts, list(reasons), name="shots")
    used = table.assign(row=np.arange(len(table)))[first == 0].reset_index(drop=True)
    return used, left_out[left_out > 0]
