"""The score before each rally, from who won the rallies before it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError

__all__ = ["RallyScores", "hand_in_hand_out", "scores_before"]

_Ints = NDArray[np.int64]
_POINT_A_RALLY: Final = ("par", "pointarally", "pointperrally")
_HAND_IN: Final = ("hiho", "handin", "handout")


@dataclass(frozen=True)
class RallyScores:
    """Points and games before each rally, (rallies,) int64 each, for server and receiver."""

    server_points: _Ints
    receiver_points: _Ints
    server_games: _Ints
    receiver_games: _Ints


def hand_in_hand_out(scoring: pd.Series) -> NDArray[np.bool_]:
    """Whether only the server can score, rally by rally.

    Parameters
    ----------
    scoring
        The log's scoring word at each rally: ``par`` (point-a-rally; also where it is missing)
        or ``hiho`` (hand-in-hand-out), with the points of a game after it if one likes
        (``par11``, ``hiho 9``); the full words are known too.

    Returns
    -------
    hiho
        (rallies,) bool.

    Raises
    ------
    DataError
        If a word is neither.
    """
    codes, found = pd.factorize(scoring)
    words = [re.sub(r"[\W\d_]+", "", str(word).lower()) for word in found]
    for word, as_found in zip(words, found, strict=True):
        if not word.startswith((*_POINT_A_RALLY, *_HAND_IN)):
            raise DataError(
                f"Column scoring holds {as_found!r}. Write par for point-a-rally or hiho for "
                "hand-in-hand-out."
            )
    lookup = np.array([word.startswith(_HAND_IN) for word in words] + [False], dtype=bool)
    return lookup[codes]


def scores_before(
    match: _Ints, game: _Ints, server: _Ints, winner: _Ints, hiho: NDArray[np.bool_]
) -> RallyScores:
    """Count points and games up to, but not including, each rally.

    Parameters
    ----------
    match, game
        (rallies,) in order of play.
    server, winner
        (rallies,) codes of players; winner is -1 after a let.
    hiho
        (rallies,) True where only the server scores.

    Returns
    -------
    RallyScores

    Notes
    -----
    A let scores for nobody. A game that is over counts for whoever has more points in it, and
    if the log leaves them level, for the winner of its last rally. Both are exact for a full
    log; the lead at the end of a game is at least two, so it survives a rally that was refused.
    """
    n = len(match)
    if n == 0:
        none = np.empty(0, dtype=np.int64)
        return RallyScores(none, none, none, none)
    new_match = np.diff(match, prepend=match[0] - 1) != 0
    new_game = new_match | (np.diff(game, prepend=game[0]) != 0)
    match_of = np.cumsum(new_match) - 1
    game_of = np.cumsum(new_game) - 1
    match_first = np.flatnonzero(new_match)
    game_first = np.flatnonzero(new_game)

    # "a" is the player who serves first in the match, "b" the other one.
    a = server[match_first][match_of]
    decided = winner >= 0
    scores = decided & (~hiho | (winner == server))
    a_scores = (scores & (winner == a)).astype(np.int64)
    b_scores = (scores & (winner != a)).astype(np.int64)
    a_points = _count_before(a_scores, game_first, game_of)
    b_points = _count_before(b_scores, game_first, game_of)

    lead = np.add.reduceat(a_scores - b_scores, game_first)
    row = np.where(decided, np.arange(n), -1)
    last_decided = np.maximum.reduceat(row, game_first)
    last_to_a = np.where(winner[last_decided] == a[last_decided], 1, -1)
    taken = np.where(lead != 0, np.sign(lead), np.where(last_decided >= 0, last_to_a, 0))
    match_of_game = match_of[game_first]
    first_game = np.flatnonzero(np.diff(match_of_game, prepend=-1) != 0)
    a_games = _count_before((taken > 0).astype(np.int64), first_game, match_of_game)[game_of]
    b_games = _count_before((taken < 0).astype(np.int64), first_game, match_of_game)[game_of]

    a_serves = server == a
    return RallyScores(
        server_points=np.where(a_serves, a_points, b_points),
        receiver_points=np.where(a_serves, b_points, a_points),
        server_games=np.where(a_serves, a_games, b_games),
        receiver_games=np.where(a_serves, b_games, a_games),
    )


def _count_before(events: _Ints, first: _Ints, group: _Ints) -> _Ints:
    """Events earlier in the same group, for sorted groups that begin at ``first``."""
    before = np.cumsum(events) - events
    return before - before[first][group]
