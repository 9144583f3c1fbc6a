"""Every attack and reset against the striker's own threshold, and what the choice brought."""

from sidewall.decisions.judged import DECISIONS as DECISIONS
from sidewall.decisions.judged import ChoiceWorth as ChoiceWorth
from sidewall.decisions.judged import decision_table as decision_table
from sidewall.decisions.judged import decisions as decisions
from sidewall.decisions.judged import decisions_by as decisions_by
