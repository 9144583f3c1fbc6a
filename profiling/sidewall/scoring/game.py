"""What every way of scoring a game can answer."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import Array
from sidewall.errors import DataError
from sidewall.scoring.chances import Chances, Shifted, read_chances
from sidewall.scoring.expectations import GameExpectation, Number
from sidewall.scoring.scores import read_pair
from sidewall.scoring.tally import COURSE, WIN, Tally, final_scores_tally

#: A score, the player's points first.
Score = tuple[int, int]


class Game(ABC):
    """A way of scoring a game; use `PointARally` or `HandInHandOut`.

    Arguments that all methods share:

    - ``p_serve``, ``p_receive``: chance of winning a rally one serves, and one receives; a
      number or an array each, 0 to 1, of shapes that go together.
    - ``score``: points now, the player's first.
    - ``serving``: whether the player serves the next rally; None for either with even chance
      (the spin of the racket), which goes with 0-0 alone.

    Every method raises `DataError` if a probability is outside 0 to 1, the score cannot
    occur or ends the game, or the game never ends: where the receiver wins every rally
    (``p_serve`` 0 and ``p_receive`` 1), nobody gets two points running.
    """

    @abstractmethod
    def check_score(self, score: Score, serving: bool | None) -> Score:
        """Return the score as two integers, or raise `DataError` if it cannot be played on."""

    @abstractmethod
    def final_scores(self) -> list[tuple[Score, bool]]:
        """List scores that end the game, won ones first, and whether 'or more' belongs to it."""

    @abstractmethod
    def recursion(self, chances: Chances, score: Score, tally: Tally) -> Array:
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
        p_serve, p_receive, score, serving
            As `Game` says.

        Returns
        -------
        float or ndarray
            A number for two numbers, else an array of their joint shape.

        Raises
        ------
        DataError
            As `Game` says.
        """
        chances = read_chances(p_serve, p_receive)
        return chances.restore(self.values(chances, score, serving, WIN)[0])

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
            As `Game` says.

        Returns
        -------
        GameExpectation
            Rallies still to be played; points on the board at the end.

        Raises
        ------
        DataError
            As `Game` says.
        """
        chances = read_chances(p_serve, p_receive)
        win, rallies, won, lost = self.values(chances, score, serving, COURSE)
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
            Chances of winning a rally, one number each.
        serving
            As `Game` says.

        Returns
        -------
        DataFrame
            points_for, points_against, or_more (True on the row that gathers every longer
            game, such as 12-10 and up), probability. The probabilities add up to 1.

        Raises
        ------
        DataError
            As `Game` says, and if a probability is not a single number.
        """
        chances = read_chances(p_serve, p_receive)
        if chances.shape != ():
            raise DataError(
                f"The probabilities have shape {chances.shape}: final scores are for one pair at "
                "a time, give one number each."
            )
        finals = self.final_scores()
        tally = final_scores_tally([score for score, _ in finals])
        found = self.values(chances, (0, 0), serving, tally)[1:, 0]
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
            As `Game` says.
        on
            Which rallies: both, serve or receive.

        Returns
        -------
        float or ndarray
            Games per unit of rally share.

        Raises
        ------
        DataError
            As `Game` says, and if `on` is not known.
        """
        chances = read_chances(p_serve, p_receive)
        win = self.values(chances.shifted(on), score, serving, WIN)[0]
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
        p_serve, p_receive, score, serving
            As `Game` says.
        on
            Which rallies: both, serve or receive.

        Returns
        -------
        float or ndarray
            Points a game per unit of rally share.

        Raises
        ------
        DataError
            As `Game` says, and if `on` is not known.
        """
        chances = read_chances(p_serve, p_receive)
        course = self.values(chances.shifted(on), score, serving, COURSE)
        return chances.restore_slope(course[2] - course[3])

    def values(self, chances: Chances, score: Score, serving: bool | None, tally: Tally) -> Array:
        """Compute the expectations of a tally from a score on, shape (k, n)."""
        both = self.recursion(chances, self.check_score(score, serving), tally)
        found = both.mean(axis=0) if serving is None else both[int(serving)]
        refuse_endless(found, chances, f"game from {score[0]}-{score[1]}")
        return found

    @staticmethod
    def check_serving(score: Score, serving: bool | None) -> None:
        """Refuse to leave the server open when the game is under way."""
        if serving is None and score != (0, 0):
            raise DataError(
                f"At {score[0]}-{score[1]} one of the two serves: give serving=True or "
                "serving=False; None is for 0-0."
            )
        if serving is not None and not isinstance(serving, (bool, np.bool_)):
            raise DataError(f"serving={serving!r}: give True, False or None.")


def read_score(score: Any) -> Score:
    """Read points, the player's first."""
    return read_pair("score", score)


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
