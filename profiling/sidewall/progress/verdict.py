"""From estimates and errors to intervals, adjusted p-values and a word."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from sidewall.arguments import Floats

BETTER: Final = "better"
WORSE: Final = "worse"
NO_CHANGE: Final = "no change shown"
NOT_KNOWN: Final = "not known yet"

_POWER: Final = 0.8


def holm(p: Floats) -> Floats:
    """Adjust p-values for looking at several; missing ones do not count.

    With the adjusted ones held against 5%, the chance of any false alarm is at most 5%,
    whatever hangs together (Holm 1979, Scandinavian Journal of Statistics 6:65-70).
    """
    found = np.full(len(p), np.nan)
    known = np.flatnonzero(~np.isnan(p))
    order = known[np.argsort(p[known])]
    steps = p[order] * np.arange(len(order), 0, -1)
    found[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return found


def judge(table: pd.DataFrame, level: float) -> pd.DataFrame:
    """Add intervals, p-values, the smallest change that could be shown, and the word.

    Parameters
    ----------
    table : DataFrame
        ``before``, ``after``, ``before_error``, ``after_error``, ``error`` (standard errors),
        ``least`` and ``most`` (the ends of the scale), ``better_when`` (lower or higher) and
        ``matters``, the smallest change worth knowing.
    level : float

    Returns
    -------
    DataFrame
        See :func:`~sidewall.progress.compare_periods`.
    """
    z, power = float(ndtri(0.5 + level / 2.0)), float(ndtri(_POWER))
    found = table.drop(columns=["before_error", "after_error", "error", "least", "most"])
    for name in ("before", "after"):
        half = z * table[f"{name}_error"]
        ends = {"": table[name], "_low": table[name] - half, "_high": table[name] + half}
        for end, values in ends.items():
            found[name + end] = values.clip(table["least"], table["most"])
    error = table["error"].to_numpy(dtype=float)
    change = (table["after"] - table["before"]).to_numpy(dtype=float)
    found["change"] = change
    found["change_low"], found["change_high"] = change - z * error, change + z * error
    found["p"] = np.where(np.isnan(error), np.nan, 2.0 * ndtr(-np.abs(change) / error))
    found["p_holm"] = holm(found["p"].to_numpy())
    looked = max(int(found["p"].notna().sum()), 1)
    strict = float(ndtri(1.0 - (1.0 - level) / (2.0 * looked)))
    found["smallest_change"] = (z + power) * error
    found["smallest_change_all"] = (strict + power) * error
    shown = (found["p_holm"] <= 1.0 - level + 1e-12).to_numpy()
    rises = (change > 0) == (table["better_when"] == "higher").to_numpy()
    could = (found["smallest_change"] <= table["matters"]).to_numpy()
    found["verdict"] = np.select(
        [shown & rises, shown, could], [BETTER, WORSE, NO_CHANGE], NOT_KNOWN
    )
    return found
