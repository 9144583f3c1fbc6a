"""Intervals one can trust: what could overturn them, and checks that they hold."""

from sidewall.trust.attack_effect import attack_effect as attack_effect
from sidewall.trust.doubly_robust import doubly_robust as doubly_robust
from sidewall.trust.overlap import REASONS as REASONS
from sidewall.trust.overlap import Overlap as Overlap
from sidewall.trust.overlap import choice_overlap as choice_overlap
from sidewall.trust.overlap import logged_reasons as logged_reasons
from sidewall.trust.ranks import RankCheck as RankCheck
from sidewall.trust.ranks import check_ranks as check_ranks
from sidewall.trust.ranks import rank_of as rank_of
from sidewall.trust.ranks import simulation_ranks as simulation_ranks
from sidewall.trust.unseen import e_value as e_value
from sidewall.trust.unseen import e_value_of_limit as e_value_of_limit
from sidewall.trust.unseen import threshold_tilt as threshold_tilt
from sidewall.trust.unseen import unseen_reason as unseen_reason
