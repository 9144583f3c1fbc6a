"""What is worth training first: points a game to gain, over the effort that it takes."""

from sidewall.worklist.items import (
    CAUTIONS,
    DEFAULT_EFFORT,
    ITEM_WORDS,
    Drill,
    Efforts,
    drill_for,
    read_efforts,
    write_efforts,
)
from sidewall.worklist.worklist import WorkList, scoring_of, work_list

__all__ = [
    "CAUTIONS",
    "DEFAULT_EFFORT",
    "ITEM_WORDS",
    "Drill",
    "Efforts",
    "WorkList",
    "drill_for",
    "read_efforts",
    "scoring_of",
    "work_list",
    "write_efforts",
]
