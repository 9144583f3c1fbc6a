"""Combinations of shots: do they work, for whom, and when should they be varied?"""

from sidewall.combinations.combination import BUILT_IN, Combination, effects
from sidewall.combinations.predictability import Predictability
from sidewall.combinations.repeat_or_vary import RepeatOrVary
from sidewall.combinations.search import search
from sidewall.combinations.step import Step
from sidewall.combinations.waited import attacks_that_should_have_waited, ball_calls

__all__ = [
    "BUILT_IN",
    "Combination",
    "Predictability",
    "RepeatOrVary",
    "Step",
    "attacks_that_should_have_waited",
    "ball_calls",
    "effects",
    "search",
]
