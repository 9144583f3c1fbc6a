"""Does something carry over from shot to shot that the log does not hold?

If a ball were described in full, nothing that happened before it would tell how the next shot
goes. Here the next shot is held against the one before: judged by the ball it leaves, less the
value of the ball it meets, it must not depend on whether the opponent had attacked, nor on how
tight the ball was that the opponent had met. Where it does, somebody was stretched or out of
place and nobody wrote it down. In a full description these differences are martingale
differences, uncorrelated within a rally whatever its length, so a score test with their squares
holds (White 1980, Econometrica 48:817-838); the columns of the ball itself are partialled out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from sidewall.arguments import Floats
from sidewall.log.vocabulary import CHOICES
from sidewall.models.correction import Sums
from sidewall.rallies.value import BallValue, gap_scale, outcomes

#: What is asked of the shot before: the gap it met, whether it attacked, and both together.
_ASKED: Final = 3
#: Smooth columns miss a little of any ball, which a long log finds: only the plain is named.
_SURE: Final = 0.001


@dataclass(frozen=True)
class CarriedSums(Sums):
    """Sums over shots whose ball and whose shot before are charted.

    Columns of the ball come first, then what is asked of the shot before.
    """

    gg: Floats
    gd: Floats
    squares: Floats
    n_shots: int

    @classmethod
    def of(cls, table: pd.DataFrame, value: BallValue, balls: Floats) -> CarriedSums:
        """Add up whole rallies; `balls` are the value's columns of every ball, (n, m)."""
        gap = table["gap_m"].to_numpy(dtype=float)
        known = ~np.isnan(gap) & table["choice"].isin(CHOICES).to_numpy()
        known &= table[["side", "family"]].notna().all(axis=1).to_numpy()
        later = table["won"].notna().to_numpy() & (table["shot"] > 1).to_numpy()
        rows = np.flatnonzero(known & later & np.roll(known, 1))
        judged = outcomes(table, value, columns=balls)
        missed = judged.outcome - 0.5 - judged.advantage
        h = gap_scale(gap[rows - 1])
        attack = (table["choice"] == "attack").to_numpy(dtype=float, na_value=0.0)[rows - 1]
        g = np.column_stack([balls[rows], h, attack, attack * h])
        d = missed[rows]
        return cls(g.T @ g, g.T @ d, (g * (d * d)[:, None]).T @ g, len(rows))


class Carried:
    """Whether the shot before still tells how the next one goes.

    Parameters
    ----------
    sums : CarriedSums

    Attributes
    ----------
    p_value_ : float
        Of the hypothesis that, given the ball, the shot before tells nothing; 1 where the
        log cannot say.
    n_shots_ : int
    """

    def __init__(self, sums: CarriedSums) -> None:
        asked = slice(-_ASKED, None)
        ball = slice(None, -_ASKED)
        partial = np.linalg.pinv(sums.gg[ball, ball], hermitian=True) @ sums.gg[ball, asked]
        away = np.hstack([-partial.T, np.eye(_ASKED)])
        score, V = away @ sums.gd, away @ sums.squares @ away.T
        rank = int(np.linalg.matrix_rank(V, hermitian=True))
        self.p_value_ = 1.0
        if rank:
            self.p_value_ = float(chdtrc(rank, score @ np.linalg.pinv(V, hermitian=True) @ score))
        self.n_shots_ = sums.n_shots

    @property
    def speaks(self) -> bool:
        """Whether something carries over."""
        return self.p_value_ < _SURE

    def words(self) -> str:
        """What is said of it; empty where nothing was found."""
        if not self.speaks:
            return ""
        return (
            "given the ball, the shot before still tells how the next one goes (p < "
            f"{_SURE}, {self.n_shots_:,} shots): something carries over that the log does not "
            "hold, such as a player who is stretched or out of place; chart balance and where "
            "the opponent stands"
        )
