"""The score of a match under charting, from the rallies that have ended."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sidewall.charting.rows import Row, Setup
from sidewall.features.score import hand_in_hand_out, scores_before
from sidewall.scoring import Game, HandInHandOut, PointARally


@dataclass(frozen=True)
class Standing:
    """Points in the game and games won, in the order of the setup's players."""

    points: tuple[int, int]
    games: tuple[int, int]
    game_over: bool


def standing(setup: Setup, rows: Sequence[Row], game: int) -> Standing:
    """Count the score before the next rally if it is played in a given game.

    Parameters
    ----------
    setup
        The match.
    rows
        Its rows so far; a rally that has not ended counts for nothing.
    game
        Number of the game that the next rally belongs to.

    Returns
    -------
    Standing
        ``game_over`` says whether these points end a game. Hand-in-hand-out to 9 at 9-8
        depends on what was called at 8-all, so it is not taken for the end.
    """
    rallies = ended(rows)
    place = {name: at for at, name in enumerate(setup.players)}
    games = np.array([row["game"] for row, _ in rallies] + [game], dtype=np.int64)
    server = np.array([place[name] for _, name in rallies] + [0], dtype=np.int64)
    winner = np.array(
        [place.get(row["rally_won_by"], -1) for row, _ in rallies] + [-1], dtype=np.int64
    )
    hiho = np.repeat(hand_in_hand_out(pd.Series([setup.scoring])), len(games))
    # scores_before wants order of play; a game can be set back by hand.
    order = np.argsort(games, kind="stable")
    scores = scores_before(
        np.zeros(len(games), dtype=np.int64), games[order], server[order], winner[order], hiho
    )
    at = int(np.flatnonzero(order == len(games) - 1)[0])
    points = (int(scores.server_points[at]), int(scores.receiver_points[at]))
    won = (int(scores.server_games[at]), int(scores.receiver_games[at]))
    return Standing(points, won, _over(points, _rules(setup.scoring, bool(hiho[0]))))


def ended(rows: Sequence[Row]) -> list[tuple[Row, str]]:
    """Last row and server of each rally that has ended."""
    found, server = [], ""
    for row in rows:
        if row["shot"] == 1:
            server = row["player"]
        if row["ending"] is not None:
            found.append((row, server))
    return found


def _rules(scoring: str, hiho: bool) -> Game:
    digits = re.search(r"\d+", scoring)
    to = int(digits.group()) if digits else (9 if hiho else 11)
    return HandInHandOut(to, choice=to + 1) if hiho else PointARally(to)


def _over(points: tuple[int, int], game: Game) -> bool:
    lead = points[0] - points[1]
    return any(
        points == final or (or_more and lead == final[0] - final[1] and max(points) > max(final))
        for final, or_more in game.final_scores()
    )
