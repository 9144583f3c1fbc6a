"""The funnel: how many tries reach each step, where they stop, and what is won."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.combinations.matching import STOPPED
from sidewall.combinations.step import Step
from sidewall.errors import DataError
from sidewall.features.clustered import clustered_rate
from sidewall.features.wilson import wilson_interval

Array = NDArray[Any]


def funnel_table(
    found: pd.DataFrame, steps: Sequence[Step], by: str | Sequence[str] | None, level: float
) -> pd.DataFrame:
    """Tabulate tries by stage; see :meth:`Combination.funnel`.

    Parameters
    ----------
    found : DataFrame
        From :meth:`Combination.find`.
    """
    names = [by] if isinstance(by, str) else list(by or ())
    missing = [name for name in names if name not in found.columns]
    if missing:
        raise DataError(
            f"There is no column {', '.join(missing)} to tabulate by; tries have "
            f"{', '.join(found.columns)}."
        )
    if not names:
        return _stages(found, steps, level)
    parts = []
    for key, rows in found.groupby(names, observed=True, sort=True):
        part = _stages(rows, steps, level)
        for at, (name, value) in enumerate(zip(names, key, strict=True)):
            part.insert(at, name, cast(Any, value))
        parts.append(part)
    if not parts:
        return _stages(found, steps, level).iloc[:0].assign(**{name: [] for name in names})
    table = pd.concat(parts, ignore_index=True)
    for name in names:
        table[name] = table[name].astype(found[name].dtype)
    return table


def _stages(found: pd.DataFrame, steps: Sequence[Step], level: float) -> pd.DataFrame:
    finished = found["finished"].to_numpy(dtype=bool)
    # a finished try may have left out the last steps
    reached = np.where(finished, len(steps), found["reached"].to_numpy(dtype=np.int64))
    # a try that left out the first steps is a try all the same
    reached = np.maximum(reached, 1)
    last = len(steps)
    there = [reached >= k for k in range(1, last + 1)]
    there[-1] = finished
    labels = ["tried", *(f"step {k}" for k in range(2, last)), "finished"][:last]
    won = found["won"].to_numpy(dtype=np.float64)
    won_there = finished & (won == 1.0)
    n = np.array([here.sum() for here in (*there, won_there)])
    tried = len(found)
    of = np.array([tried, *n[: last - 1], (finished & ~np.isnan(won)).sum()])
    low, high = wilson_interval(n, of, level)
    all_low, all_high = wilson_interval(n, np.full(len(n), tried), level)
    with np.errstate(invalid="ignore", divide="ignore"):
        share, of_tried = n / of, n / np.float64(tried)
    table = pd.DataFrame(
        {
            "stage": [*labels, "rally won"],
            "step": [*range(1, last + 1), last],
            "words": [*(str(step) for step in steps), "the player wins the rally"],
            "n": n,
            "of": of,
            "share": share,
            "share_low": low,
            "share_high": high,
            "of_tried": of_tried,
            "of_tried_low": all_low,
            "of_tried_high": all_high,
        }
    )
    return table.join(_results(found, [*there, won_there], level))


def _results(found: pd.DataFrame, there: list[Array], level: float) -> pd.DataFrame:
    """Rallies won from each stage on, and what stopped the tries that got no further."""
    won = found["won"].to_numpy(dtype=np.float64)
    rally = found["rally_id"].to_numpy(dtype=np.int64)
    group, row = np.nonzero(np.array(there)) if len(found) else (np.empty(0, np.int64),) * 2
    wins = clustered_rate(won[row], rally[row], group.astype(np.int64), len(there), level)
    pairs = pd.DataFrame({"group": group, "rally": rally[row]}).drop_duplicates()
    table = pd.DataFrame(
        {
            "rallies": np.bincount(pairs["group"], minlength=len(there)),
            "win_rate": wins.rate,
            "win_rate_low": wins.low,
            "win_rate_high": wins.high,
        }
    )
    # the last stage is the result of finished tries, not a step that can be stopped at
    table.loc[len(there) - 1, ["win_rate", "win_rate_low", "win_rate_high"]] = np.nan
    why = found["stopped"].to_numpy(dtype=object)
    ended = [here & ~after for here, after in pairwise(there)]
    ended = [here & (why != "finished") for here in ended] + [np.zeros(len(found), dtype=bool)]
    for reason in STOPPED[1:]:
        table[reason.replace(" ", "_")] = [int((here & (why == reason)).sum()) for here in ended]
    decided = [here & ~np.isnan(won) for here in ended]
    table["stopped_win_rate"] = [won[here].mean() if here.any() else np.nan for here in decided]
    return table
