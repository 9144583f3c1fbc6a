"""Point-a-rally: every rally scores, and its winner serves the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.scoring.chances import Chances
from sidewall.scoring.game import Game, Score, read_score
from sidewall.scoring.scores import read_whole
from sidewall.scoring.tally import Tally, mix

RECEIVING, SERVING = 0, 1


@dataclass(frozen=True)
class PointARally(Game):
    """Point-a-rally scoring: the winner of a rally gets the point and serves next.

    Source: World Squash Federation, Rules of Squash (to 11, two clear).

    Parameters
    ----------
    to
        Points that win the game: 11, or 15.
    clear
        Lead that is needed: 2, or 1 for sudden death.

    Raises
    ------
    DataError
        If `to` is below 2 or `clear` is neither 1 nor 2.

    Examples
    --------
    >>> round(PointARally().game_win_probability(0.55, 0.55), 6)
    0.686813
    """

    to: int = 11
    clear: int = 2

    def __post_init__(self) -> None:
        read_whole("to", self.to, 2)
        if self.clear not in (1, 2):
            raise DataError(f"clear={self.clear!r}: a game is won one or two clear, give 1 or 2.")

    def check_score(self, score: Score, serving: bool | None) -> Score:
        """Return the score as two integers, or raise `DataError` if it cannot be played on."""
        a, b = read_score(score)
        self.check_serving((a, b), serving)
        high, low = max(a, b), min(a, b)
        rule = f"point-a-rally to {self.to}, {('one', 'two')[self.clear - 1]} clear"
        if high >= self.to and (high - low >= self.clear or self.clear == 1):
            just_over = high == max(self.to, low + self.clear) and low < max(self.to, high - 1)
            raise DataError(
                f"score {a}-{b} {'ends a' if just_over else 'cannot occur in a'} game of {rule}: "
                "give a score from before the end."
            )
        # whoever must have won the last rally serves
        known = a != b and (low == 0 or high >= self.to)
        if known and serving is not None and serving != (a > b):
            raise DataError(
                f"At {a}-{b} the leader has won the last rally and serves: give serving={a > b}."
            )
        return a, b

    def final_scores(self) -> list[tuple[Score, bool]]:
        """List scores that end the game, won ones first, and whether 'or more' belongs to it."""
        won = [((self.to, b), False) for b in range(self.to - self.clear + 1)]
        if self.clear == 2:
            won.append(((self.to + 1, self.to - 1), True))
        return won + [((b, a), or_more) for (a, b), or_more in won]

    def recursion(self, chances: Chances, score: Score, tally: Tally) -> Array:
        """Compute expectations of a tally, shape (2, k, n): receiving first, then serving."""
        chance = chances.stacked()
        last = self.to - 1
        tail = self.clear == 2
        # beyond deuce only the lead counts
        over = max(min(score) - last, 0) if tail else 0
        a0, b0 = score[0] - over, score[1] - over
        level = _deuce(chances, self.to, tally) if tail else None
        if level is not None and max(a0, b0) > last:
            return _one_up(chance, level, self.to, tally, ahead=a0 > b0)
        above: dict[int, Array] = {}
        for a in range(last, a0 - 1, -1):
            row: dict[int, Array] = {}
            for b in range(last, b0 - 1, -1):
                if level is not None and a == b == last:
                    row[b] = level
                    continue
                won = above[b][SERVING] if a < last else tally.end(self.to, b)
                lost = row[b + 1][RECEIVING] if b < last else tally.end(a, self.to)
                row[b] = _rally(chance, won, lost, tally)
            above = row
        return above[b0]


def _rally(chance: Array, won: Array, lost: Array, tally: Tally) -> Array:
    return mix(chance, tally.rally + tally.won + won, tally.rally + tally.lost + lost)


def _one_up(chance: Array, level: Array, to: int, tally: Tally, *, ahead: bool) -> Array:
    """One point from the end beyond deuce: win and it is over, or level again."""
    if ahead:
        return _rally(chance, tally.end(to + 1, to - 1), level[RECEIVING], tally)
    return _rally(chance, level[SERVING], tally.end(to - 1, to + 1), tally)


def _deuce(chances: Chances, to: int, tally: Tally) -> Array:
    r"""Solve for the score level beyond deuce, two clear.

    With S and R the expectations at level, serving and receiving, p and r the chances,
    q = 1 - p and s = 1 - r, and g and l what a rally won and lost add::

        S = p (g + p (g + W) + q (l + R)) + q (l + r (g + S) + s (l + L))
        R = r (g + p (g + W) + q (l + R)) + s (l + r (g + S) + s (l + L))

    Both are divided by e = 1 - q r before solving, so that nothing underflows. With
    p = r it is the familiar p^2 / (p^2 + q^2).
    """
    p, r, e = chances.serve, chances.receive, chances.settled
    q, s, u, v = 1.0 - p, 1.0 - r, p / e, (1.0 - r) / e
    g, l = tally.rally + tally.won, tally.rally + tally.lost  # noqa: E741
    won, lost = g + tally.end(to + 1, to - 1), l + tally.end(to - 1, to + 1)
    serve = u * (g + p * won + q * l) + q * ((l + r * g) / e + v * lost)
    receive = r * ((g + q * l) / e + u * won) + v * (l + r * g + s * lost)
    determinant = 1.0 - u * v * q * r
    return np.stack(
        [(receive + r * v * serve) / determinant, (serve + q * u * receive) / determinant]
    )
