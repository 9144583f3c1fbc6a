"""Two periods of a player compared, and how much to chart for a given precision."""

from sidewall.progress.compare import MATTERS as MATTERS
from sidewall.progress.compare import MEASURES as MEASURES
from sidewall.progress.compare import compare_periods as compare_periods
from sidewall.progress.periods import join_logs as join_logs
from sidewall.progress.periods import matches_by_date as matches_by_date
from sidewall.progress.plan import Plan as Plan
from sidewall.progress.plan import plan as plan
