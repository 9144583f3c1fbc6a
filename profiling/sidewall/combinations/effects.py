"""Several combinations, or players, looked at together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from sidewall.combinations.combination import Combination
from sidewall.combinations.many_tests import adjusted
from sidewall.errors import DataError


def effects(
    combinations: Sequence[Combination], shots: pd.DataFrame, **options: Any
) -> pd.DataFrame:
    """The effects of several combinations, with p-values adjusted over all of them.

    Parameters
    ----------
    combinations : sequence of Combination
    shots : DataFrame
        Whole rallies.
    **options
        As :meth:`Combination.effect` takes them, such as ``by="player"``.

    Returns
    -------
    DataFrame
        The rows of :meth:`Combination.effect`, and ``p_adjusted``: Benjamini-Hochberg over
        every combination and player looked at that has enough rallies.
    """
    if not combinations:
        raise DataError("Give at least one combination.")
    tables = [each.effect(shots, **options) for each in combinations]
    table = pd.concat(tables, ignore_index=True)
    table["p_adjusted"] = adjusted(table["p"].to_numpy())
    return table
