"""Many tests at once: p-values adjusted so that few of the findings are false."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Floats


def adjusted(p: ArrayLike, method: Literal["bh", "holm"] = "bh") -> Floats:
    """Adjusted p-values, shape (n,); missing ones stay missing and do not count.

    Rejecting where the adjusted value is at most a level keeps at or below it: with ``bh`` the
    expected share of false findings (Benjamini & Hochberg 1995, Journal of the Royal
    Statistical Society B 57:289-300); with ``holm`` the chance of any, whatever hangs together
    (Holm 1979, Scandinavian Journal of Statistics 6:65-70).
    """
    values = np.asarray(p, dtype=np.float64)
    result = np.full(len(values), np.nan)
    known = np.flatnonzero(~np.isnan(values))
    # by hand: loading statsmodels for this takes a second, a tenth of a report (by profile)
    order = known[np.argsort(values[known], kind="stable")]
    rising, n = values[order], len(order)
    if method == "holm":
        found = np.maximum.accumulate(rising * np.arange(n, 0, -1))
    else:
        found = np.minimum.accumulate((rising * n / np.arange(1, n + 1))[::-1])[::-1]
    result[order] = np.minimum(found, 1.0)
    return result


def adjusted_by_question(p: ArrayLike) -> Floats:
    """Adjusted p-values, (n, questions), where several questions are asked of everything looked at.

    Each question is a family of its own: `adjusted` over everything looked at, times the
    number of questions. In one family, many true answers to one question let ever larger
    p-values pass for the other. The false share of all findings together is at most the sum
    over the questions, so that it too stays below the level.
    """
    values = np.asarray(p, dtype=np.float64)
    found = np.stack([adjusted(question) for question in values.T], axis=1)
    return np.minimum(values.shape[1] * found, 1.0)
