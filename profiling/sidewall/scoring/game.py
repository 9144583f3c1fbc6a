"""What every way of scoring a game can answer, from the two chances of winning a rally."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from operator import index
from typing import Any, Final, Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import Array, Bools, Floats
from sidewall.errors import DataError


def read_pair(name: str, given: Any) -> tuple[int, int]:
    """Read a score such as ``(7, 4)``: the player's first, the opponent's second."""
    try:
        a, b = (index(number) for number in given)
    except (TypeError, ValueError):
        raise DataError(
            f"{name}={given!r} is not a score: give two whole numbers, the player's first, "
            "such as (7, 4)."
        ) from None
    if a < 0 or b < 0:
        raise DataError(f"{name} {a}-{b} is below 0: give whole numbers from 0 up.")
    return a, b


def read_whole(name: str, given: Any, smallest: int) -> int:
    """Read a whole number of at least ``smallest``."""
    try:
        number = index(given)
    except TypeError:
        number = smallest - 1
    if number < smallest:
        raise DataError(f"{name}={given!r}: give a whole number of at least {smallest}.")
    return number


#: One number where both probabilities are numbers, else an array of their joint shape.
Number = float | Floats


@dataclass(frozen=True)
class GameExpectation:
    """Expected course of a game from a given score.

    Parameters
    ----------
    win : float or ndarray
        Probability of winning the game.
    rallies : float or ndarray
        Expected number of rallies still to be played, lets left out.
    points_for, points_against : float or ndarray
        Expected points on the board at the end, those already there included.

    See Also
    --------
    sidewall.scoring.Game.expected_game

    Examples
    --------
    >>> found = sw.scoring.PointARally().expected_game(0.5, 0.5)
    >>> round(found.win, 2), round(found.rallies, 1)
    (0.5, 18.8)
    """

    win: Number
    rallies: Number
    points_for: Number
    points_against: Number


@dataclass(frozen=True)
class MatchExpectation:
    """Expected course of a match from a given state.

    Parameters
    ----------
    win : float or ndarray
        Probability of winning the match.
    rallies : float or ndarray
        Expected number of rallies still to be played, lets left out.
    games_for, games_against : float or ndarray
        Expected games on the board at the end, those already there included.

    See Also
    --------
    sidewall.scoring.Match.expected_match

    Examples
    --------
    >>> found = sw.scoring.Match().expected_match(0.5, 0.5)
    >>> round(found.rallies), round(found.games_for, 2)
    (78, 2.06)
    """

    win: Number
    rallies: Number
    games_for: Number
    games_against: Number


@dataclass(frozen=True)
class Tally:
    """Quantities whose expectation a game is asked for; the first is always the win.

    What each gains by a rally, by a point won and by a point lost, and when the game ends at a
    score, (k, 1).
    """

    rally: Floats
    won: Floats
    lost: Floats
    end: Callable[[int, int], Floats]


def _column(*numbers: float) -> Floats:
    return np.array(numbers, dtype=np.float64)[:, None]


#: The chance of winning alone.
WIN = Tally(_column(0), _column(0), _column(0), lambda a, b: _column(a > b))

#: The chance of winning, rallies, points for, points against.
COURSE = Tally(
    _column(0, 1, 0, 0),
    _column(0, 0, 1, 0),
    _column(0, 0, 0, 1),
    lambda a, b: _column(a > b, 0, 0, 0),
)


def final_scores_tally(finals: list[tuple[int, int]]) -> Tally:
    """Count the chance of winning and then of each final score."""
    nothing = np.zeros((len(finals) + 1, 1))

    def end(a: int, b: int) -> Floats:
        return _column(a > b, *((a, b) == final for final in finals))

    return Tally(nothing, nothing, nothing, end)


def mix(chance: Array, won: Array, lost: Array) -> Array:
    """Average what follows a rally won and a rally lost.

    What cannot happen has no say: it may be NaN, the mark of a game that never ends.
    """
    both = chance * won + (1.0 - chance) * lost
    return np.where(chance == 0.0, lost, np.where(chance == 1.0, won, both))


#: Which rallies a change of the chance applies to.
Shifted = Literal["both", "serve", "receive"]

#: Size of the imaginary step; its square is lost against 1, so no error comes from the step.
_STEP: Final = 1e-30


@dataclass(frozen=True)
class Chances:
    """Chances of winning a rally one serves and one receives, flat, (n,); complex for a derivative.

    `shape` is the one that answers go back to.
    """

    serve: Array
    receive: Array
    shape: tuple[int, ...]

    @property
    def handed_back(self) -> Bools:
        """Where the receiver wins every rally, so that a rally never settles anything."""
        return np.asarray((self.serve.real == 0.0) & (self.receive.real == 1.0))

    @property
    def settled(self) -> Array:
        """``1 - (1 - serve) * receive``: chance that a serve is not lost and won straight back.

        Written as a sum of parts, which loses no digits where it is small. NaN where it is 0.
        """
        total = self.serve + (1.0 - self.receive) * (1.0 - self.serve)
        return np.where(self.handed_back, np.nan, total)

    def stacked(self) -> Array:
        """Chances as an array of shape (2, 1, n): receiving first, then serving."""
        return np.stack([self.receive, self.serve])[:, None, :]

    def shifted(self, on: Shifted) -> Chances:
        """Step into the imaginary direction, to read a derivative from.

        Source: Squire & Trapp 1998, SIAM Review 40:110-112. A DataError also if the receiver wins
        every rally.
        """
        if on not in get_args(Shifted):
            raise DataError(f"on={on!r} is not known; use {', '.join(get_args(Shifted))}.")
        if self.handed_back.any():
            raise DataError(
                "Where p_serve is 0 and p_receive is 1 the receiver wins every rally and a gain "
                "has no meaning: raise p_serve above 0 or lower p_receive below 1."
            )
        step = 1j * _STEP
        return Chances(
            self.serve + (step if on != "receive" else 0j),
            self.receive + (step if on != "serve" else 0j),
            self.shape,
        )

    def restore(self, values: Array) -> Number:
        """Give flat values the shape of what was asked: a float for two numbers."""
        return float(values[0]) if self.shape == () else values.reshape(self.shape)

    def restore_slope(self, values: Array) -> Number:
        """Read the derivative out of values that were computed from shifted chances."""
        return self.restore(values.imag / _STEP)


def read_chances(p_serve: ArrayLike, p_receive: ArrayLike) -> Chances:
    """Check both probabilities, each from 0 to 1, and bring them to one shape."""
    serve, receive = _checked("p_serve", p_serve), _checked("p_receive", p_receive)
    try:
        serve, receive = np.broadcast_arrays(serve, receive)
    except ValueError:
        raise DataError(
            f"p_serve has shape {serve.shape} and p_receive {receive.shape}, which do not go "
            "together: give arrays of one shape, or a single number for one of them."
        ) from None
    return Chances(serve.ravel(), receive.ravel(), serve.shape)


def _checked(name: str, given: ArrayLike) -> Floats:
    try:
        p = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError):
        raise DataError(
            f"{name} holds {given!r}, which is not a number: give the share of rallies won, "
            "such as 0.52."
        ) from None
    wrong = ~((p >= 0.0) & (p <= 1.0))
    if wrong.any():
        at = tuple(int(i) for i in np.argwhere(wrong)[0])
        where = f" at position {', '.join(map(str, at))}" if at else ""
        raise DataError(
            f"{name} is {float(p[at]):g}{where}, which is not a probability: give the share of "
            "rallies won between 0 and 1, such as 0.52 for 52 in a hundred."
        )
    return p


#: A score, the player's points first.
Score = tuple[int, int]


class Game(ABC):
    """A way of scoring a game; use `PointARally` or `HandInHandOut`.

    Every method raises `DataError` if a probability is outside 0 to 1, a word is not known, the
    score cannot occur or ends the game, or the game never ends: where the receiver wins every
    rally (``p_serve`` 0 and ``p_receive`` 1), nobody gets two points running.

    See Also
    --------
    sidewall.scoring.PointARally
    sidewall.scoring.HandInHandOut
    sidewall.scoring.Match

    Examples
    --------
    >>> isinstance(sw.scoring.PointARally(), sw.scoring.Game)
    True
    """

    @abstractmethod
    def check_score(self, score: Score, serving: bool | None) -> Score:
        """Return the score as two integers, or raise `DataError` if it cannot be played on.

        Parameters
        ----------
        score, serving
            As in :meth:`game_win_probability`.
        """

    @abstractmethod
    def final_scores(self) -> list[tuple[Score, bool]]:
        """List scores that end the game, won ones first, and whether 'or more' belongs to it."""

    @abstractmethod
    def _recursion(self, chances: Chances, score: Score, tally: Tally) -> Array:
        """Compute expectations of a tally, shape (2, k, n): receiving first, then serving.

        NaN marks what never ends.
        """

    def game_win_probability(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        score: Score = (0, 0),
        serving: bool | None = True,
    ) -> Number:
        """Compute the probability of winning the game from a score.

        Parameters
        ----------
        p_serve, p_receive : array-like
            Chance of winning a rally one serves, and one receives; a number or an array each,
            0 to 1, of shapes that go together.
        score : (int, int)
            Points now, the player's first.
        serving : bool, optional
            Whether the player serves the next rally; None for either with even chance (the
            spin of the racket), which goes with 0-0 alone.

        Returns
        -------
        float or ndarray
            A number for two numbers, else an array of their joint shape.
        """
        chances = read_chances(p_serve, p_receive)
        return chances.restore(self._values(chances, score, serving, WIN)[0])

    def expected_game(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        score: Score = (0, 0),
        serving: bool | None = True,
    ) -> GameExpectation:
        """Compute the expected rallies and points of a game from a score on.

        Parameters
        ----------
        p_serve, p_receive, score, serving
            As in :meth:`game_win_probability`.

        Returns
        -------
        GameExpectation
            Rallies still to be played; points on the board at the end.
        """
        chances = read_chances(p_serve, p_receive)
        win, rallies, won, lost = self._values(chances, score, serving, COURSE)
        restore = chances.restore
        a, b = score
        return GameExpectation(restore(win), restore(rallies), restore(won + a), restore(lost + b))

    def final_score_probabilities(
        self, p_serve: float, p_receive: float, serving: bool | None = True
    ) -> pd.DataFrame:
        """Compute how likely each final score is, from 0-0.

        Parameters
        ----------
        p_serve, p_receive
            Chances of winning a rally, a single number each.
        serving
            As in :meth:`game_win_probability`.

        Returns
        -------
        DataFrame
            points_for, points_against, or_more (True on the row that gathers every longer
            game, such as 12-10 and up), probability. The probabilities add up to 1.
        """
        chances = read_chances(p_serve, p_receive)
        if chances.shape != ():
            raise DataError(
                f"The probabilities have shape {chances.shape}: final scores are for one pair at "
                "a time, give one number each."
            )
        finals = self.final_scores()
        tally = final_scores_tally([score for score, _ in finals])
        found = self._values(chances, (0, 0), serving, tally)[1:, 0]
        rows = [
            (*score, or_more, p) for (score, or_more), p in zip(finals, found.tolist(), strict=True)
        ]
        names = ["points_for", "points_against", "or_more", "probability"]
        return pd.DataFrame(rows, columns=names)

    def game_gain_per_rally_share(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        score: Score = (0, 0),
        serving: bool | None = True,
        *,
        on: Shifted = "both",
    ) -> Number:
        """Compute what a larger share of rallies is worth in games.

        The derivative of `game_win_probability` when the chances named by `on` rise alike:
        one rally in a hundred more is worth so many games in a hundred. Complex step, so
        exact to rounding (relative error about 1e-13).

        Parameters
        ----------
        p_serve, p_receive, score, serving
            As in :meth:`game_win_probability`.
        on
            Which rallies: both, serve or receive.

        Returns
        -------
        float or ndarray
            Games per unit of rally share.
        """
        chances = read_chances(p_serve, p_receive)
        win = self._values(chances.shifted(on), score, serving, WIN)[0]
        return chances.restore_slope(win)

    def points_gain_per_rally_share(
        self,
        p_serve: ArrayLike,
        p_receive: ArrayLike,
        score: Score = (0, 0),
        serving: bool | None = True,
        *,
        on: Shifted = "both",
    ) -> Number:
        """Compute what a larger share of rallies is worth in points a game.

        The derivative of the expected margin at the end, points for less points against:
        one rally in a hundred more is worth this much divided by 100 in points a game. It
        counts the points that a longer or shorter game brings. Exact to rounding.

        Parameters
        ----------
        p_serve, p_receive, score, serving, on
            As in :meth:`game_gain_per_rally_share`.

        Returns
        -------
        float or ndarray
            Points a game per unit of rally share.
        """
        chances = read_chances(p_serve, p_receive)
        course = self._values(chances.shifted(on), score, serving, COURSE)
        return chances.restore_slope(course[2] - course[3])

    def _values(self, chances: Chances, score: Score, serving: bool | None, tally: Tally) -> Array:
        """Compute the expectations of a tally from a score on, shape (k, n)."""
        both = self._recursion(chances, self.check_score(score, serving), tally)
        found = both.mean(axis=0) if serving is None else both[int(serving)]
        refuse_endless(found, chances, f"game from {score[0]}-{score[1]}")
        return found

    @staticmethod
    def _check_serving(score: Score, serving: bool | None) -> None:
        """Refuse to leave the server open when the game is under way."""
        if serving is None and score != (0, 0):
            raise DataError(
                f"At {score[0]}-{score[1]} one of the two serves: give serving=True or "
                "serving=False; None is for 0-0."
            )
        if serving is not None and not isinstance(serving, (bool, np.bool_)):
            raise DataError(f"serving={serving!r}: give True, False or None.")


def refuse_endless(found: Array, chances: Chances, what: str) -> None:
    """Raise `DataError` where an expectation is not finite: what is asked about never ends."""
    endless = np.atleast_1d(~np.isfinite(found).all(axis=0))
    if not endless.any():
        return
    at = int(np.argmax(endless))
    serve, receive = float(chances.serve[at].real), float(chances.receive[at].real)
    where = f" (entry {at} of {len(endless)})" if len(endless) > 1 else ""
    raise DataError(
        f"p_serve {serve:g} and p_receive {receive:g}{where} make the receiver win every rally, "
        f"so the {what} never ends: raise p_serve above 0 or lower p_receive below 1."
    )
