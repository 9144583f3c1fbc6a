"""The ways in which a combination with optional steps may be played."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise
from typing import Final

from sidewall.combinations.step import Step
from sidewall.errors import DataError

_MOST_OPTIONAL: Final = 8


def alternate(steps: Sequence[Step]) -> bool:
    """Whether own shots and replies take turns."""
    return all(one.by != two.by for one, two in pairwise(steps))


def check_steps(steps: Sequence[Step]) -> None:
    """Refuse a list of steps that no rally can follow.

    Raises
    ------
    DataError
        If it is empty, has no own shot that is asked for in any case, does not alternate,
        or an optional step can never be left out.
    """
    if not steps:
        raise DataError("A combination needs at least one step.")
    for k, step in enumerate(steps, start=1):
        if not isinstance(step, Step):
            raise DataError(f"Step {k} is {step!r}; build it with Step.own or Step.reply.")
    if not any(step.by == "own" and not step.may_be_left_out for step in steps):
        raise DataError("A combination needs at least one own step that is not optional.")
    for k, (one, two) in enumerate(pairwise(steps), start=1):
        if one.by == two.by:
            mend = "Step.any_reply()" if one.by == "own" else "Step.own()"
            raise DataError(
                f"Steps {k} and {k + 1} are both by {one.by!r}, but the players take turns. "
                f"Put {mend} between them."
            )
    optional = [k for k, step in enumerate(steps) if step.may_be_left_out]
    if len(optional) > _MOST_OPTIONAL:
        raise DataError(f"{len(optional)} optional steps; {_MOST_OPTIONAL} is the most.")
    kept = variants(steps)
    for k in optional:
        if all(k in way for way in kept):
            raise DataError(
                f"Step {k + 1} can never be left out: own shots and replies would no longer "
                "take turns. Make the step beside it optional too."
            )


def variants(steps: Sequence[Step]) -> list[tuple[int, ...]]:
    """Positions of the steps in each way of playing, the fullest first."""
    every = range(len(steps))
    optional = [k for k in every if steps[k].may_be_left_out]
    ways = []
    for count in range(len(optional) + 1):
        for gone in combinations(optional, count):
            way = tuple(k for k in every if k not in gone)
            if way and alternate([steps[k] for k in way]):
                ways.append(way)
    return ways
