"""Hold out half of the matches, so that what is found can be confirmed."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError


def half_of_matches(columns: ShotColumns, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Choose half of the matches at random, about half of every player's.

    Returns
    -------
    ndarray of bool, shape (rallies,)
        True for the rallies of the chosen matches.

    Raises
    ------
    DataError
        If there are fewer than two matches.
    """
    first = columns.runs.first
    match = pd.factorize(columns.shots["match"].iloc[first])[0].astype(np.int64)
    matches, at = np.unique(match, return_index=True)
    if len(matches) < 2:
        raise DataError(
            "One match cannot be held out to confirm what is found in it: chart a second one, "
            "or say confirm=False."
        )
    pairs = np.column_stack([columns.player[first[at]], columns.opponent[first[at]]])
    lead = np.zeros(len(columns.names))  # matches chosen less matches held out, by player
    chosen = np.zeros(len(matches), dtype=bool)
    for k in rng.permutation(len(matches)):
        balance = lead[pairs[k]].sum()
        chosen[k] = balance < 0 or (balance == 0 and rng.random() < 0.5)
        lead[pairs[k]] += 1.0 if chosen[k] else -1.0
    if chosen.all() or not chosen.any():
        chosen[int(rng.integers(len(matches)))] ^= True
    return np.asarray(chosen[match], dtype=np.bool_)
