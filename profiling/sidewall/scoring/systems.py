"""The two ways of scoring: point-a-rally, and hand-in-hand-out, where only the server scores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array, Bools, Ints
from sidewall.errors import DataError
from sidewall.scoring.game import (
    WIN,
    Chances,
    Game,
    Score,
    Tally,
    mix,
    read_chances,
    read_pair,
    read_whole,
)

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

    See Also
    --------
    sidewall.scoring.HandInHandOut
    sidewall.scoring.Match

    Examples
    --------
    >>> round(sw.scoring.PointARally().game_win_probability(0.55, 0.55), 6)
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
        a, b = read_pair("score", score)
        self._check_serving((a, b), serving)
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

    def _recursion(self, chances: Chances, score: Score, tally: Tally) -> Array:
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


@dataclass(frozen=True)
class HandInHandOut(Game):
    """Hand-in-hand-out scoring: the server scores, the receiver wins the serve.

    When the score first reaches 8-8, the receiver chooses to play to 9 or to 10. A score of
    8-8 given to a method is that moment. Source: the game as described in NRICH, "Playing
    Squash" (University of Cambridge).

    Parameters
    ----------
    to
        Points that win the game.
    choice
        ``"best"``: the receiver at 8-8 makes the choice that wins more often (the lower
        target where both win alike); or a fixed target, `to` or one more.

    Raises
    ------
    DataError
        If `to` is below 2 or `choice` is none of the three.

    See Also
    --------
    sidewall.scoring.PointARally
    sidewall.scoring.Match

    Examples
    --------
    >>> game = sw.scoring.HandInHandOut()
    >>> round(game.game_win_probability(0.5, 0.5, score=(8, 8), serving=False), 4)
    0.4074
    """

    to: int = 9
    choice: Literal["best"] | int = "best"

    def __post_init__(self) -> None:
        read_whole("to", self.to, 2)
        if self.choice not in ("best", self.to, self.to + 1):
            raise DataError(
                f"choice={self.choice!r}: at {self.to - 1}-{self.to - 1} the receiver plays to "
                f"{self.to} or {self.to + 1}; give one of them, or 'best'."
            )

    def check_score(self, score: Score, serving: bool | None) -> Score:
        """Return the score as two integers, or raise `DataError` if it cannot be played on."""
        a, b = read_pair("score", score)
        self._check_serving((a, b), serving)
        high, low = max(a, b), min(a, b)
        longer = low >= self.to - 1 and self.choice != self.to
        target = self.to + 1 if longer else self.to
        rule = f"hand-in-hand-out to {target}"
        if high == target and low < target:
            raise DataError(f"score {a}-{b} ends a game of {rule}: give a score before the end.")
        if high >= target:
            raise DataError(
                f"score {a}-{b} cannot occur in {rule}: give scores below {target} each."
            )
        return a, b

    def final_scores(self) -> list[tuple[Score, bool]]:
        """List scores that end the game, won ones first, and whether 'or more' belongs to it."""
        won = [((self.to, b), False) for b in range(self.to - 1)]
        if self.choice != self.to + 1:
            won.append(((self.to, self.to - 1), False))
        if self.choice != self.to:
            won += [((self.to + 1, b), False) for b in (self.to - 1, self.to)]
        return won + [((b, a), False) for (a, b), _ in won]

    def best_choice(
        self, p_serve: ArrayLike, p_receive: ArrayLike, *, serving: bool = False
    ) -> int | Ints:
        """Find the target that the receiver at 8-8 does best to choose.

        Parameters
        ----------
        p_serve, p_receive
            Chances of winning a rally one serves and one receives, of the player asked about.
        serving
            Whether that player serves, so that the opponent chooses.

        Returns
        -------
        int or ndarray of int
            `to` or one more; `to` where both win alike.
        """
        chances = read_chances(p_serve, p_receive)
        fixed = [HandInHandOut(self.to, target) for target in (self.to, self.to + 1)]
        level = (self.to - 1, self.to - 1)
        short, long = (game._values(chances, level, serving, WIN)[0] for game in fixed)
        longer = _longer(short, long, serving=serving)
        chosen = np.where(longer, self.to + 1, self.to)
        return int(chosen[0]) if chances.shape == () else chosen.reshape(chances.shape)

    def _recursion(self, chances: Chances, score: Score, tally: Tally) -> Array:
        """Compute expectations of a tally, shape (2, k, n): receiving first, then serving."""
        last = self.to - 1
        if min(score) >= last and max(score) > last:  # the choice lies behind
            return _played_to(self.to + 1, chances, score, tally)
        level = self._level(chances, tally)
        return _played_to(self.to, chances, score, tally, {(last, last): level})

    def _level(self, chances: Chances, tally: Tally) -> Array:
        """Compute expectations on reaching 8-8, the receiver about to choose."""
        at = (self.to - 1, self.to - 1)
        if self.choice != "best":
            return _played_to(self.choice, chances, at, tally)
        short, long = (_played_to(to, chances, at, tally) for to in (self.to, self.to + 1))
        longer = np.stack(
            [_longer(short[s, 0], long[s, 0], serving=s == SERVING) for s in (RECEIVING, SERVING)]
        )
        return np.where(longer[:, None, :], long, short)


def _longer(short: Array, long: Array, *, serving: bool) -> Bools:
    """Whether the receiver prefers the longer game, from the player's chances of winning."""
    gain = long.real - short.real
    return np.asarray(gain < 0.0 if serving else gain > 0.0)


def _played_to(
    target: int,
    chances: Chances,
    score: Score,
    tally: Tally,
    known: dict[Score, Array] | None = None,
) -> Array:
    """Play to a target, some scores known.

    At one score the serve may change hands any number of times. With A serving and B
    receiving, A' and B' after the next point, p, q = 1 - p, r, s = 1 - r::

        A = 1 + p A' + q B        B = 1 + r A + s B'

    solved with e = 1 - q r: the server scores next with p / e, the receiver with r p / e.
    """
    p, r, e = chances.serve, chances.receive, chances.settled
    q, u, v = 1.0 - p, p / e, (1.0 - r) / e
    # multiplied before divided: 0 rallies stay 0 however small e is
    hands = np.stack([1.0 + r, 1.0 + q])[:, None, :] * tally.rally / e
    to_player = np.stack([r * u, u])[:, None, :]
    to_opponent = np.stack([v, q * v])[:, None, :]
    above: dict[int, Array] = {}
    for a in range(target - 1, score[0] - 1, -1):
        row: dict[int, Array] = {}
        for b in range(target - 1, score[1] - 1, -1):
            if known is not None and (a, b) in known:
                row[b] = known[a, b]
                continue
            won = above[b][SERVING] if a < target - 1 else tally.end(target, b)
            lost = row[b + 1][RECEIVING] if b < target - 1 else tally.end(a, target)
            row[b] = hands + to_player * (tally.won + won) + to_opponent * (tally.lost + lost)
        above = row
    return above[score[1]]
