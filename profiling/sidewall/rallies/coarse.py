"""Are the chain's states fine enough? A check on what the value of a ball rests on.

If a state carries what matters, then among balls of the same state and player the gap
says nothing more about who wins the rally. The score test regresses the result, less the
state's value, on the gap's deviation from the state's mean; rallies are the clusters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sidewall.rallies.transitions import Transitions

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


def coarseness(chain: RallyChain, moves: Transitions) -> CoarsenessTest:
    """Test a fitted chain on the shots that it was fitted to."""
    table = chain.shot_values()
    won = table["won"].to_numpy(dtype=float)
    value, gap = table["value_before"].to_numpy(), table["gap_m"].to_numpy(dtype=float)
    use = ~np.isnan(won) & ~np.isnan(value) & ~np.isnan(gap)
    residual, gap, rally = (won - value)[use], gap[use], moves.rally[use]
    state = moves.striker[use] * len(moves.states) + moves.start[use]

    def centred(x: Array) -> Array:
        n = np.bincount(state)
        mean = np.bincount(state, x) / np.maximum(n, 1)
        return x - mean[state]

    x, y = centred(gap), centred(residual)
    square = float(x @ x)
    slope = float(x @ y) / square
    score = np.bincount(np.unique(rally, return_inverse=True)[1], x * (y - slope * x))
    k = len(score)
    error = float(np.sqrt(np.sum(score**2) * k / (k - 1))) / square
    within = float(np.sqrt(square / len(x)))
    p = float(2 * ndtr(-abs(slope) / error))
    low, high = slope - 1.959964 * error, slope + 1.959964 * error
    return CoarsenessTest(slope, low, high, p, within, slope * within, len(x), k)
