"""Rallies: the chain of balls, what each is worth, and who made the opening."""

from sidewall.rallies.chain import RallyChain
from sidewall.rallies.states import BallStates, LooseBall

__all__ = ["BallStates", "LooseBall", "RallyChain"]
