"""Intervals one can trust: what could overturn them, and checks that they hold."""

from sidewall.trust.attack_effect import attack_effect
from sidewall.trust.doubly_robust import DoublyRobust, doubly_robust
from sidewall.trust.overlap import REASONS, Overlap, Reasons, choice_overlap, logged_reasons
from sidewall.trust.ranks import RankCheck, check_ranks, rank_of, simulation_ranks
from sidewall.trust.unseen import e_value, e_value_of_limit, threshold_tilt, unseen_reason

__all__ = [
    "REASONS",
    "DoublyRobust",
    "Overlap",
    "RankCheck",
    "Reasons",
    "attack_effect",
    "check_ranks",
    "choice_overlap",
    "doubly_robust",
    "e_value",
    "e_value_of_limit",
    "logged_reasons",
    "rank_of",
    "simulation_ranks",
    "threshold_tilt",
    "unseen_reason",
]
