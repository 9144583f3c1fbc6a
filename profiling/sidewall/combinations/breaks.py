"""The step at which a combination breaks."""

from __future__ import annotations

from typing import Any

import pandas as pd

__all__ = ["break_words", "breaks_at", "rivals_of"]


def break_words(table: pd.DataFrame) -> str:
    """Say at which step a combination breaks.

    Parameters
    ----------
    table
        From `Combination.funnel`.
    """
    stages = table.to_dict("records")
    where = breaks_at(stages)
    if where is None:
        return "Where it breaks: no tries to tell from."
    row = stages[where]
    reached = f"which {row['n']:,} of {row['of']:,} tries reach"
    rivals = rivals_of(stages, where)
    if not rivals:
        return f"It breaks at step {where + 1}, {reached}."
    steps = " or ".join(str(k + 1) for k in rivals)
    return (
        f"The weakest is step {where + 1}, {reached}; but step {steps} may be as weak: the "
        "intervals overlap."
    )


def breaks_at(stages: list[dict[Any, Any]]) -> int | None:
    """Step that is most surely reached by few: 0 of 2 says less than 40 of 900."""
    steps = [k for k in range(1, len(stages) - 1) if stages[k]["of"] > 0]
    return min(steps, key=lambda k: float(stages[k]["share_high"])) if steps else None


def rivals_of(stages: list[dict[Any, Any]], where: int) -> list[int]:
    """Other steps that may be as weak as the one at ``where``: their intervals overlap."""
    high = float(stages[where]["share_high"])
    steps = [k for k in range(1, len(stages) - 1) if k != where and stages[k]["of"] > 0]
    return [k for k in steps if float(stages[k]["share_low"]) <= high]
