"""What a game or a match is expected to bring."""

from __future__ import annotations

from dataclasses import dataclass

from sidewall.arguments import Floats

#: One number where both probabilities are numbers, else an array of their joint shape.
Number = float | Floats


@dataclass(frozen=True)
class GameExpectation:
    """Expected course of a game from a given score.

    Attributes
    ----------
    win : float or ndarray
        Probability of winning the game.
    rallies : float or ndarray
        Expected number of rallies still to be played, lets left out.
    points_for, points_against : float or ndarray
        Expected points on the board at the end, those already there included.
    """

    win: Number
    rallies: Number
    points_for: Number
    points_against: Number


@dataclass(frozen=True)
class MatchExpectation:
    """Expected course of a match from a given state.

    Attributes
    ----------
    win : float or ndarray
        Probability of winning the match.
    rallies : float or ndarray
        Expected number of rallies still to be played, lets left out.
    games_for, games_against : float or ndarray
        Expected games on the board at the end, those already there included.
    """

    win: Number
    rallies: Number
    games_for: Number
    games_against: Number
