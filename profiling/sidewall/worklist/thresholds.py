"""The loose threshold beside an item about a side or a stroke family, for comparison.

A threshold says where attacking starts to beat resetting, and so hangs on both curves: a
player whose resets are poor has a low one. So it stands beside an item and is not its gain.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.models.counted import ALL_STROKES
from sidewall.worklist.gains import LEAST_PLAYERS

_NOTHING: Final[dict[str, Any]] = {
    "threshold_m": np.nan,
    "threshold_low_m": np.nan,
    "threshold_high_m": np.nan,
    "other_side_m": np.nan,
    "ladder_quartile_m": np.nan,
    "threshold_is_worse": "",
}


def threshold_columns(answers: pd.DataFrame, player: str, item: str) -> dict[str, Any]:
    """A player's threshold, the other side's, and the ladder's lower quartile.

    Parameters
    ----------
    answers : DataFrame
        From ``TightnessModel.thresholds()``.
    player, item : str
        An attack is judged after the bounce, where most attacks are played.

    Returns
    -------
    dict
        ``threshold_m`` with ``threshold_low_m`` and ``threshold_high_m``; ``other_side_m``;
        ``ladder_quartile_m``, which a quarter of the players are below; and
        ``threshold_is_worse``: higher than the one, the other, both, or empty. Missing for
        items of neither side, and where not known.
    """
    kind, _, side = item.partition("_")
    if side not in ("forehand", "backhand"):
        return dict(_NOTHING)
    known = answers["threshold_m"].notna()
    family = "volley" if kind == "volley" else "ground"
    cells = answers[answers["family"].isin([family, ALL_STROKES]) & known]
    mine = _by_side(cells[cells["player"] == player])
    if side not in mine:
        return dict(_NOTHING)
    own = mine.pop(side)
    others = cells.loc[cells["side"] == side, "threshold_m"]
    quartile = float(others.quantile(0.25)) if len(others) >= LEAST_PLAYERS else np.nan
    beside = next((float(row["threshold_m"]) for row in mine.values()), np.nan)
    at = float(own["threshold_m"])
    worse = [
        words
        for words, limit in (("own other side", beside), ("ladder's quartile", quartile))
        if at > limit
    ]
    return {
        "threshold_m": at,
        "threshold_low_m": float(own["low_m"]),
        "threshold_high_m": float(own["high_m"]),
        "other_side_m": beside,
        "ladder_quartile_m": quartile,
        "threshold_is_worse": " and ".join(worse),
    }


def _by_side(cells: pd.DataFrame) -> dict[str, dict[Any, Any]]:
    return {str(row["side"]): row for row in cells.to_dict("records")}
