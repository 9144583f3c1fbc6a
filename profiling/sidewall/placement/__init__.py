"""Placement: length, width, how high above the tin to aim, and drills at a target."""

from sidewall.placement.ellipse import Ellipse as Ellipse
from sidewall.placement.ellipse import error_ellipse as error_ellipse
from sidewall.placement.heights import CensoredNormal as CensoredNormal
from sidewall.placement.on_target import pace_and_accuracy as pace_and_accuracy
from sidewall.placement.on_target import placed_shots as placed_shots
from sidewall.placement.on_target import placement_table as placement_table
from sidewall.placement.on_target import with_pace as with_pace
from sidewall.placement.practice import balls_needed as balls_needed
from sidewall.placement.practice import compare_practice as compare_practice
from sidewall.placement.practice import practice_table as practice_table
from sidewall.placement.practice_log import check_practice as check_practice
from sidewall.placement.practice_log import read_practice as read_practice
from sidewall.placement.targets import Circle as Circle
from sidewall.placement.targets import Target as Target
from sidewall.placement.targets import court_targets as court_targets
from sidewall.placement.targets import read_targets as read_targets
from sidewall.placement.tin import TinMargin as TinMargin
from sidewall.placement.worth import PlacementWorth as PlacementWorth
