"""Two periods of a player compared; how much to chart for a given precision, and what next."""

from sidewall.progress.chart_next import next_balls, next_matches
from sidewall.progress.compare import MATTERS, MEASURES, compare_periods
from sidewall.progress.periods import join_logs, matches_by_date
from sidewall.progress.plan import Plan, plan

__all__ = [
    "MATTERS",
    "MEASURES",
    "Plan",
    "compare_periods",
    "join_logs",
    "matches_by_date",
    "next_balls",
    "next_matches",
    "plan",
]
