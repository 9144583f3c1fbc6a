"""A match: the best of so many games."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal, get_args

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
from sidewall.scoring.systems import PointARally

#: Who serves first in the next game, by the game before.
NextServer = Literal["winner", "loser", "alternate"]

#: What a game adds to the win, rallies, games for and against.
_GAME_WON: Final = np.array([[0.0], [0.0], [1.0], [0.0]])
_GAME_LOST: Final = np.array([[0.0], [0.0], [0.0], [1.0]])


@dataclass(frozen=True)
class Match:
    """The best of five or three games.

    The winner of a game serves first in the next (World Squash Federation, Rules of Squash),
    unless `next_server` says otherwise.

    Every method raises `DataError` if a probability, the games or the score are impossible,
    the match is over, or it never ends (see `Game`).

    Parameters
    ----------
    game
        How a game is scored: `PointARally` or `HandInHandOut`.
    best_of
        Greatest number of games: 5 or 3, any odd number from 1 up.
    next_server
        Who serves first in the next game: the winner or loser of the last one, or the two in
        turn ("alternate").

    Raises
    ------
    DataError
        If `game` is no way of scoring, `best_of` is even or below 1, or `next_server` is not
        known.

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
    next_server: NextServer = "winner"

    def __post_init__(self) -> None:
        if not isinstance(self.game, Game):
            raise DataError(
                f"game={self.game!r} is no way of scoring: give PointARally() or HandInHandOut()."
            )
        if read_whole("best_of", self.best_of, 1) % 2 == 0:
            raise DataError(
                f"best_of={self.best_of} is even, so a match could end level: give 5 or 3."
            )
        if self.next_server not in get_args(NextServer):
            raise DataError(
                f"next_server={self.next_server!r} is not known; use "
                f"{', '.join(get_args(NextServer))}."
            )

    @property
    def needed(self) -> int:
        """Games that win the match."""
        return self.best_of // 2 + 1

    def match_win_probability(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        games: Score = (0, 0),
        score: Score = (0, 0),
        serving: bool | None = True,
        *,
        first_server: bool | None = None,
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
        first_server : bool, optional
            Whether the player served first in the present game; only needed under way in a
            game, and only where first serves alternate.

        Returns
        -------
        float or ndarray
            A number for two numbers, else an array of their joint shape.
        """
        chances = read_chances(p_serve, p_receive)
        return chances.restore(self._values(chances, games, score, serving, first_server)[0])

    def expected_match(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        games: Score = (0, 0),
        score: Score = (0, 0),
        serving: bool | None = True,
        *,
        first_server: bool | None = None,
    ) -> MatchExpectation:
        """Compute the expected rallies and games of a match from a state on.

        Parameters
        ----------
        p_serve, p_receive, games, score, serving, first_server
            As in :meth:`match_win_probability`.

        Returns
        -------
        MatchExpectation
            Rallies still to be played; games on the board at the end.
        """
        chances = read_chances(p_serve, p_receive)
        win, rallies, won, lost = self._values(chances, games, score, serving, first_server)
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
        first_server: bool | None = None,
        on: Shifted = "both",
    ) -> Number:
        """Compute what a larger share of rallies is worth in matches.

        The derivative of `match_win_probability` when the chances named by `on` rise alike:
        one rally in a hundred more is worth so many matches in a hundred. Complex step, so
        exact to rounding (relative error about 1e-13).

        Parameters
        ----------
        p_serve, p_receive, games, score, serving, first_server
            As in :meth:`match_win_probability`.
        on
            Which rallies: both, serve or receive.

        Returns
        -------
        float or ndarray
            Matches per unit of rally share.

        Raises
        ------
        DataError
            Also if `on` is not known.
        """
        chances = read_chances(p_serve, p_receive)
        win = self._values(chances.shifted(on), games, score, serving, first_server)[0]
        return chances.restore_slope(win)

    def _values(
        self,
        chances: Chances,
        games: Score,
        score: Score,
        serving: bool | None,
        first_server: bool | None,
    ) -> Array:
        """Win, rallies, games for and against still to come; shape (4, n)."""
        g, h = check_games(games, self.best_of)
        a, b = self.game.check_score(score, serving)
        first = self._check_first((g, h), (a, b), serving, first_server)
        fresh = self.game._recursion(chances, (0, 0), COURSE)[:, :2]
        after = self._after(fresh, g, h)
        present = fresh if a == b == 0 else self.game._recursion(chances, (a, b), COURSE)[:, :2]
        if serving is None:
            found = (self._then(present[0], after, False) + self._then(present[1], after, True)) / 2
        else:
            found = self._then(present[int(serving)], after, first)
        refuse_endless(found, chances, f"match from {g}-{h} in games, {a}-{b} in points,")
        return found

    def _after(self, fresh: Array, g0: int, h0: int) -> dict[bool, Array]:
        """Expectations after the present game, by whether it was won.

        Each is of shape (2, 4, n): receiving first in the next game, then serving.
        """
        over = np.zeros((2, 2, 4, fresh.shape[-1]), dtype=fresh.dtype)
        over[int(True), :, 0] = 1.0
        last = self.needed - 1
        after: dict[bool, Array] = {}
        above: dict[int, Array] = {}
        for g in range(last, g0 - 1, -1):
            row: dict[int, Array] = {}
            for h in range(last, h0 - 1, -1):
                after = {
                    True: above[h] if g < last else over[int(True)],
                    False: row[h + 1] if h < last else over[int(False)],
                }
                row[h] = np.stack([self._then(fresh[int(s)], after, s) for s in (False, True)])
            above = row
        return after

    def _then(self, game: Array, after: dict[bool, Array], first: bool) -> Array:
        """Play one game, given its win and rallies (2, n), and what comes after."""
        won, lost = (after[result][self._next(result, first)] for result in (True, False))
        found = mix(game[0], won + _GAME_WON, lost + _GAME_LOST)
        found[1] += game[1]
        return found

    def _next(self, won: bool, first: bool) -> int:
        """Whether the player serves first in the next game, as an index."""
        if self.next_server == "alternate":
            return int(not first)
        return int(won if self.next_server == "winner" else not won)

    def _check_first(
        self, games: Score, score: Score, serving: bool | None, first: bool | None
    ) -> bool:
        """Find who served first in the present game, and refuse what the rules rule out."""
        if score != (0, 0):
            if first is None and self.next_server == "alternate" and sum(games) + 1 < self.best_of:
                raise DataError(
                    "First serves alternate, so who served first in the present game decides who "
                    "does in the next: give first_server=True or first_server=False."
                )
            return bool(first)
        if serving is None:
            if games != (0, 0):
                raise DataError(
                    f"At {games[0]}-{games[1]} in games the rules say who serves: give "
                    "serving=True or serving=False; None is for the start of the match."
                )
            return False
        if first is not None and bool(first) != bool(serving):
            raise DataError(
                f"At 0-0 the next server is the first server, but serving={serving} and "
                f"first_server={first}: leave first_server out."
            )
        if self.next_server != "alternate" and games != (0, 0) and min(games) == 0:
            due = (games[0] > 0) == (self.next_server == "winner")
            if bool(serving) != due:
                raise DataError(
                    f"At {games[0]}-{games[1]} in games the {self.next_server} of the last game "
                    f"serves first: give serving={due}."
                )
        return bool(serving)


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
