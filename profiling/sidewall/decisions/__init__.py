"""Every attack and reset against the striker's own threshold, and what the choice brought."""

from sidewall.decisions.judged import (
    DECISIONS,
    ChoiceWorth,
    decision_table,
    decisions,
    decisions_by,
)

__all__ = ["DECISIONS", "ChoiceWorth", "decision_table", "decisions", "decisions_by"]
