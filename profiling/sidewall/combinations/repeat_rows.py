"""Rows for the pooled fit of repeating against varying."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.shots import with_features
from sidewall.rallies.value import BEND_M

Array = NDArray[Any]

#: Columns whose coefficients make up the two lines; ``repeated`` is +0.5, ``varied`` -0.5.
LINES: Final = ("level", "repeated", "repeats", "repeated x repeats")
#: Those that vary by player too.
OWN: Final = ("level", "repeated", "repeated x repeats")
#: Varied minus repeated, at one repeat and for each more.
CONTRAST: Final = np.array([[0.0, -1.0, 0.0, 0.0], [0.0, 0.0, 0.0, -1.0]])

#: A word met more seldom is not told apart.
_RARE: Final = 30
_LEAST: Final = 20


@dataclass(frozen=True)
class RepeatRows:
    """Shots whose situation came up before, with the design of the fit.

    Attributes
    ----------
    used : DataFrame
        With ``repeats`` (number of equal replies just before, from 1), ``repeated`` (1 or 0).
    X, Z : DataFrame
        Fixed and varying columns; what is adjusted for is centred on the shots that were
        met, so that 0 is the usual situation.
    """

    used: pd.DataFrame
    X: pd.DataFrame
    Z: pd.DataFrame

    def contrasts(self, lines: Array) -> tuple[Array, Array]:
        """Rows in the columns of the lines, (k, 4), as rows for X and for Z."""
        fixed = np.zeros((len(lines), self.X.shape[1]))
        fixed[:, : len(LINES)] = lines
        own = np.column_stack([lines[:, LINES.index(name)] for name in OWN])
        return fixed, own


def repeat_rows(shots: pd.DataFrame, most: int) -> RepeatRows:
    """Choose the shots and build the design.

    Raises
    ------
    DataError
        If fewer than 20 shots repeat the reply before, or vary it.
    """
    table = with_features(shots)
    use = table["repeats_reply"].notna() & table["won"].notna() & table["gap_m"].notna()
    used = table[use.to_numpy()]
    repeats = np.minimum(used["same_reply_run"].to_numpy(dtype=np.float64), most)
    repeated = used["repeats_reply"].to_numpy(dtype=np.float64)
    used = used.assign(repeats=repeats.astype(np.int64), repeated=repeated.astype(np.int64))
    used = used.reset_index(drop=True)
    for kind, count in (("repeat", repeated.sum()), ("vary", (1.0 - repeated).sum())):
        if count < _LEAST:
            raise DataError(
                f"Only {int(count)} shots {kind} the reply given the last time in the same "
                f"situation; at least {_LEAST} are needed. Chart more rallies."
            )
    if len(np.unique(repeats)) < 2:
        raise DataError("No reply was given twice running in a situation; chart more rallies.")
    sign = repeated - 0.5
    lines = np.column_stack([np.ones(len(used)), sign, repeats - 1.0, sign * (repeats - 1.0)])
    X = pd.DataFrame(lines, columns=list(LINES))
    Z = X[list(OWN)].copy()
    return RepeatRows(used, pd.concat([X, _adjusted_for(used)], axis=1), Z)


def _adjusted_for(used: pd.DataFrame) -> pd.DataFrame:
    """Situation and gap as centred columns; a word met seldom joins the usual one."""
    columns = {}
    for name in ("side", "family", "incoming_stroke"):
        words = used[name].astype(object)
        words = words.where(words.notna(), "not charted").astype(str)
        counts = words.value_counts()
        for word in counts.index[1:]:  # the usual one is part of the level
            if counts[word] >= _RARE:
                columns[f"{name} {word}"] = (words == word).to_numpy(dtype=np.float64)
    # whole centimetres: equal rows are counted once in the fit
    gap = np.round(used["gap_m"].to_numpy(dtype=np.float64), 2)
    columns["gap"] = np.log1p(gap / BEND_M)
    table = pd.DataFrame(columns)
    table = table.loc[:, table.std(ddof=0) > 0]
    return table - table.mean()
