"""Every attack and reset against the striker's own threshold, and what the choice brought."""

from sidewall.decisions.choice_worth import ChoiceWorth
from sidewall.decisions.judged import DECISIONS, decisions
from sidewall.decisions.places import decisions_by
from sidewall.decisions.table import decision_table

__all__ = ["DECISIONS", "ChoiceWorth", "decision_table", "decisions", "decisions_by"]
