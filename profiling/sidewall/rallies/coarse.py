"""Are the chain's states fine enough for what the value of a ball rests on?

If a state carries what matters, then among balls of the same state and player the gap
says nothing more about who wins the rally. The score test regresses the result, less the
state's value, on the gap's deviation from the state's mean; rallies are the clusters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from sidewall.features.parts import Parts
from sidewall.rallies.states import StateRule
from sidewall.rallies.transitions import transitions

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]


@dataclass(frozen=True)
class CoarsenessTest:
    """Does the gap say more than the state does?

    Attributes
    ----------
    slope : float
        Chance of winning gained by a metre of gap within a state, in rallies per metre.
    low, high : float
        95% interval, clustered by rally.
    p : float
        Two-sided.
    within : float
        Standard deviation of the gap within states, in metres.
    missed : float
        ``slope * within``: what the states miss of a usual ball's value.
    n, rallies : int

    Numbers are missing where the gaps of a state are all alike, or the log is one rally.
    """

    slope: float
    low: float
    high: float
    p: float
    within: float
    missed: float
    n: int
    rallies: int

    @property
    def too_coarse(self) -> bool:
        """Whether what the states miss is clear (p < 0.01) and more than 2 rallies in 100."""
        return self.p < 0.01 and abs(self.missed) > 0.02


@dataclass(frozen=True)
class _Balls:
    """Balls with a gap in a known state of a decided rally."""

    rule: StateRule
    players: list[str]
    states: list[str]
    value: Array  # (s,)

    def of(self, table: pd.DataFrame) -> tuple[Array, Array, Array, Array]:
        """Place (striker and state), gap, result less value, and rally of each."""
        moves = transitions(table, self.rule, self.players, self.states)
        won = moves.table["won"].to_numpy(dtype=float)
        gap = moves.table["gap_m"].to_numpy(dtype=float)
        value = np.where(moves.start >= 0, self.value[moves.start], np.nan)
        use = ~np.isnan(won) & ~np.isnan(value) & ~np.isnan(gap)
        place = moves.striker[use] * len(self.states) + moves.start[use]
        return place, gap[use], (won - value)[use], moves.rally[use]


@dataclass(frozen=True)
class _Sums:
    """Number of balls, and sums of gap and residual, by place: shape (3, places)."""

    balls: _Balls

    def __call__(self, table: pd.DataFrame) -> Array:
        place, gap, residual, _ = self.balls.of(table)
        size = len(self.balls.players) * len(self.balls.states)
        return np.stack([np.bincount(place, part, size) for part in (None, gap, residual)])


@dataclass(frozen=True)
class _Squares:
    """Sums of squares, of products, and of the rallies' moments, places' means taken off."""

    balls: _Balls
    gap: Array
    residual: Array

    def __call__(self, table: pd.DataFrame) -> Array:
        place, gap, residual, rally = self.balls.of(table)
        x, y = gap - self.gap[place], residual - self.residual[place]
        codes = np.unique(rally, return_inverse=True)[1]
        a, b = np.bincount(codes, x * y), np.bincount(codes, x * x)
        return np.array([x @ x, x @ y, len(x), len(a), a @ a, a @ b, b @ b])


def coarseness(chain: RallyChain, parts: Parts) -> CoarsenessTest:
    """Test a fitted chain on the shots that it was fitted to, in two passes over them."""
    balls = _Balls(
        chain.rule_, chain.players_, chain.states_, chain.win_probability_.to_numpy(copy=True)
    )
    n, gap, residual = sum(parts.each(_Sums(balls)))
    met = np.maximum(n, 1)
    found = sum(parts.each(_Squares(balls, gap / met, residual / met)))
    square, product, total, k, aa, ab, bb = found
    # Gaps alike to a micrometre, or one rally: there is no slope to tell.
    if square <= 1e-12 * total or k < 2:
        none = float("nan")
        return CoarsenessTest(none, none, none, none, none, none, int(total), int(k))
    slope = float(product / square)
    # the rallies' scores are a - slope * b
    score_square = max(aa - 2.0 * slope * ab + slope**2 * bb, 0.0)
    error = float(np.sqrt(score_square * k / (k - 1)) / square)
    within = float(np.sqrt(square / total))
    p = float(2 * ndtr(-abs(slope) / error)) if error > 0 else float("nan")
    low, high = slope - 1.959964 * error, slope + 1.959964 * error
    return CoarsenessTest(slope, low, high, p, within, slope * within, int(total), int(k))
