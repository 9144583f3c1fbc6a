"""Two periods of a player compared; how much to chart for a given precision, and what next."""

from sidewall.progress.chart_next import next_balls as next_balls
from sidewall.progress.chart_next import next_matches as next_matches
from sidewall.progress.compare import MEASURES as MEASURES
from sidewall.progress.compare import compare_periods as compare_periods
from sidewall.progress.periods import join_logs as join_logs
from sidewall.progress.periods import matches_by_date as matches_by_date
from sidewall.progress.plan import Plan as Plan
from sidewall.progress.plan import plan as plan
