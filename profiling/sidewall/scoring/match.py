"""A match: the best of so many games."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.scoring.game import (
    COURSE,
    Chances,
    Game,
    MatchExpectation,
    Number,
    Score,
    Shifted,
    mix,
    read_chances,
    read_pair,
    read_whole,
    refuse_endless,
)
from sidewall.scoring.systems import RECEIVING, SERVING, PointARally

#: What a game adds to the win, rallies, games for and against.
_GAME_WON: Final = np.array([[0.0], [0.0], [1.0], [0.0]])
_GAME_LOST: Final = np.array([[0.0], [0.0], [0.0], [1.0]])
_MATCH_WON: Final = np.array([[1.0], [0.0], [0.0], [0.0]])


@dataclass(frozen=True)
class Match:
    """The best of five or three games.

    The winner of a game serves first in the next (World Squash Federation, Rules of Squash).

    Every method raises `DataError` if a probability, the games or the score are impossible, a
    word is not known, the match is over, or it never ends (see `Game`).

    Parameters
    ----------
    game
        How a game is scored: `PointARally` or `HandInHandOut`.
    best_of
        Greatest number of games: 5 or 3, any odd number from 1 up.

    Raises
    ------
    DataError
        If `game` is no way of scoring, or `best_of` is even or below 1.

    See Also
    --------
    sidewall.scoring.PointARally
    sidewall.plot_match_win_probability

    Examples
    --------
    >>> round(sw.scoring.Match().match_win_probability(0.55, 0.55), 6)
    0.819042
    """

    game: Game = field(default_factory=PointARally)
    best_of: int = 5

    def __post_init__(self) -> None:
        if not isinstance(self.game, Game):
            raise DataError(
                f"game={self.game!r} is no way of scoring: give PointARally() or HandInHandOut()."
            )
        if read_whole("best_of", self.best_of, 1) % 2 == 0:
            raise DataError(
                f"best_of={self.best_of} is even, so a match could end level: give 5 or 3."
            )

    def match_win_probability(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        games: Score = (0, 0),
        score: Score = (0, 0),
        serving: bool | None = True,
    ) -> Number:
        """Compute the probability of winning the match.

        Parameters
        ----------
        p_serve, p_receive : array-like
            Chance of winning a rally one serves, and one receives; a number or an array each,
            0 to 1, of shapes that go together.
        games : (int, int)
            Games won so far, the player's first.
        score : (int, int)
            Points in the present game, the player's first.
        serving : bool, optional
            Whether the player serves the next rally; None for either with even chance (the
            spin of the racket), which goes with the very start alone.

        Returns
        -------
        float or ndarray
            A number for two numbers, else an array of their joint shape.
        """
        chances = read_chances(p_serve, p_receive)
        return chances.restore(self._values(chances, games, score, serving)[0])

    def expected_match(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        games: Score = (0, 0),
        score: Score = (0, 0),
        serving: bool | None = True,
    ) -> MatchExpectation:
        """Compute the expected rallies and games of a match from a state on.

        Parameters
        ----------
        p_serve, p_receive, games, score, serving
            As in :meth:`match_win_probability`.

        Returns
        -------
        MatchExpectation
            Rallies still to be played; games on the board at the end.
        """
        chances = read_chances(p_serve, p_receive)
        win, rallies, won, lost = self._values(chances, games, score, serving)
        restore = chances.restore
        g, h = games
        return MatchExpectation(restore(win), restore(rallies), restore(won + g), restore(lost + h))

    def match_gain_per_rally_share(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        games: Score = (0, 0),
        score: Score = (0, 0),
        serving: bool | None = True,
        *,
        on: Shifted = "both",
    ) -> Number:
        """Compute what a larger share of rallies is worth in matches.

        The derivative of `match_win_probability` when the chances named by `on` rise alike:
        one rally in a hundred more is worth so many matches in a hundred. Complex step, so
        exact to rounding (relative error about 1e-13).

        Parameters
        ----------
        p_serve, p_receive, games, score, serving
            As in :meth:`match_win_probability`.
        on
            Which rallies: both, serve or receive.

        Returns
        -------
        float or ndarray
            Matches per unit of rally share.
        """
        chances = read_chances(p_serve, p_receive)
        win = self._values(chances.shifted(on), games, score, serving)[0]
        return chances.restore_slope(win)

    def _values(self, chances: Chances, games: Score, score: Score, serving: bool | None) -> Array:
        """Win, rallies, games for and against still to come; shape (4, n)."""
        g, h = check_games(games, self.best_of)
        a, b = self.game.check_score(score, serving)
        if a == b == 0:
            _check_first_server(g, h, serving)
        fresh = self.game._recursion(chances, (0, 0), COURSE)[:, :2]
        present = fresh if a == b == 0 else self.game._recursion(chances, (a, b), COURSE)[:, :2]
        both = _game(present, *self._after(fresh, g, h))
        found = both.mean(axis=0) if serving is None else both[int(serving)]
        refuse_endless(found, chances, f"match from {g}-{h} in games, {a}-{b} in points,")
        return found

    def _after(self, fresh: Array, g0: int, h0: int) -> tuple[Array, Array]:
        """Expectations after the present game is won, and after it is lost, (4, n) each."""
        lost = np.zeros((4, fresh.shape[-1]), dtype=fresh.dtype)
        match_lost, match_won = lost, lost + _MATCH_WON
        last = self.best_of // 2
        above: dict[int, Array] = {}
        for g in range(last, g0 - 1, -1):
            row: dict[int, Array] = {}
            for h in range(last, h0 - 1, -1):
                won = above[h][SERVING] if g < last else match_won
                lost = row[h + 1][RECEIVING] if h < last else match_lost
                row[h] = _game(fresh, won, lost)
            above = row
        return won, lost


def _game(game: Array, won: Array, lost: Array) -> Array:
    """Play one game, given its win and rallies (2, 2, n), and what comes after; (2, 4, n)."""
    found = mix(game[:, :1], won + _GAME_WON, lost + _GAME_LOST)
    found[:, 1] += game[:, 1]
    return found


def _check_first_server(g: int, h: int, serving: bool | None) -> None:
    """Refuse what the rules rule out at the start of a game."""
    if (g, h) == (0, 0):
        return
    if serving is None:
        raise DataError(
            f"At {g}-{h} in games the rules say who serves: give serving=True or serving=False; "
            "None is for the start of the match."
        )
    if min(g, h) == 0 and bool(serving) != (g > h):
        raise DataError(
            f"At {g}-{h} in games the winner of the last game serves first: give serving={g > h}."
        )


def check_games(games: Score, best_of: int) -> Score:
    """Return the games as two integers, or raise `DataError` if the match is over by then."""
    g, h = read_pair("games", games)
    needed = best_of // 2 + 1
    if max(g, h) < needed:
        return g, h
    if max(g, h) == needed and min(g, h) < needed:
        raise DataError(
            f"games {g}-{h} end a best of {best_of}: give the games before the present one."
        )
    raise DataError(
        f"games {g}-{h} cannot occur in a best of {best_of}: give fewer than {needed} each."
    )
