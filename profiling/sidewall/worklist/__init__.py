"""What is worth training first: points a game to gain, over the effort that it takes."""

from sidewall.worklist.drills import CAUTIONS, MOVE_ON, Drill, drill_for
from sidewall.worklist.effort import DEFAULT_EFFORT, Efforts, read_efforts, write_efforts
from sidewall.worklist.items import ITEM_WORDS
from sidewall.worklist.match_gain import scoring_of
from sidewall.worklist.worklist import WorkList, work_list

__all__ = [
    "CAUTIONS",
    "DEFAULT_EFFORT",
    "ITEM_WORDS",
    "MOVE_ON",
    "Drill",
    "Efforts",
    "WorkList",
    "drill_for",
    "read_efforts",
    "scoring_of",
    "work_list",
    "write_efforts",
]
