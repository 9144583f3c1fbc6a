"""What is worth training first: points a game to gain, over the effort that it takes."""

from sidewall.placement.practice import CAUTIONS as CAUTIONS
from sidewall.worklist.items import DEFAULT_EFFORT as DEFAULT_EFFORT
from sidewall.worklist.items import ITEM_WORDS as ITEM_WORDS
from sidewall.worklist.items import MOVE_ON as MOVE_ON
from sidewall.worklist.items import Efforts as Efforts
from sidewall.worklist.items import drill_for as drill_for
from sidewall.worklist.items import read_efforts as read_efforts
from sidewall.worklist.items import write_efforts as write_efforts
from sidewall.worklist.worklist import WorkList as WorkList
from sidewall.worklist.worklist import scoring_of as scoring_of
from sidewall.worklist.worklist import work_list as work_list
