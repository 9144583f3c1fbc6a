"""Combinations of shots: do they work, for whom, and when should they be varied?"""

from sidewall.combinations.combination import BUILT_IN as BUILT_IN
from sidewall.combinations.combination import Combination as Combination
from sidewall.combinations.combination import effects as effects
from sidewall.combinations.predictability import Predictability as Predictability
from sidewall.combinations.repeat_or_vary import RepeatOrVary as RepeatOrVary
from sidewall.combinations.search import search as search
from sidewall.combinations.step import Step as Step
from sidewall.combinations.waited import (
    attacks_that_should_have_waited as attacks_that_should_have_waited,
)
from sidewall.combinations.waited import ball_calls as ball_calls
