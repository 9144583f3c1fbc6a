"""Placement: length, width, how high above the tin to aim, and drills at a target."""

from sidewall.placement.ellipse import Ellipse, error_ellipse
from sidewall.placement.heights import CensoredNormal
from sidewall.placement.on_target import pace_and_accuracy, placed_shots, placement_table, with_pace
from sidewall.placement.practice import (
    PRACTICE_CAUTIONS,
    balls_needed,
    balls_needed_for_error,
    compare_practice,
    practice_table,
)
from sidewall.placement.practice_log import check_practice, read_practice
from sidewall.placement.targets import Circle, Target, court_targets, read_targets
from sidewall.placement.tin import TinMargin
from sidewall.placement.worth import PlacementWorth

__all__ = [
    "PRACTICE_CAUTIONS",
    "CensoredNormal",
    "Circle",
    "Ellipse",
    "PlacementWorth",
    "Target",
    "TinMargin",
    "balls_needed",
    "balls_needed_for_error",
    "check_practice",
    "compare_practice",
    "court_targets",
    "error_ellipse",
    "pace_and_accuracy",
    "placed_shots",
    "placement_table",
    "practice_table",
    "read_practice",
    "read_targets",
    "with_pace",
]
