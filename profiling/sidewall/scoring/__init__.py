"""Exact chances of winning games and matches from the chance of winning a rally.

The chance may differ between rallies one serves and rallies one receives. Rallies are taken as
independent, and lets are left out: a let is played again and changes nothing. Everything is
exact recursion and small linear systems; nothing is simulated.
"""

from sidewall.scoring.game import Game, GameExpectation, MatchExpectation
from sidewall.scoring.match import Match
from sidewall.scoring.systems import HandInHandOut, PointARally

__all__ = [
    "Game",
    "GameExpectation",
    "HandInHandOut",
    "Match",
    "MatchExpectation",
    "PointARally",
]
