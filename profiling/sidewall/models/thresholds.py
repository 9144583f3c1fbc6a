"""The loose threshold: from which gap attacking beats resetting, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from sidewall.models.fieller import fieller_set
from sidewall.models.transforms import GapTransform

Array = NDArray[np.float64]

CROSSES: Final = "crosses"
ALWAYS_ATTACK: Final = "attack at any gap"
ALWAYS_RESET: Final = "reset at any gap"
NOT_KNOWN: Final = "not known yet"

_GRID_M: Final = 0.01
#: Beyond this many further shots a forecast would be a guess.
_MOST_SHOTS: Final = 20_000


@dataclass(frozen=True)
class Threshold:
    """An answer about one player, side and stroke family.

    Attributes
    ----------
    status : str
        ``crosses``, ``attack at any gap``, ``reset at any gap`` or ``not known yet``.
    gap_m : float
        The threshold; NaN unless it crosses.
    low_m, high_m : float
        Ends of the confidence set within the gaps that were met. When the answer is not
        known yet, one end may be: below `low_m` resetting is better, above `high_m`
        attacking is.
    """

    status: str
    gap_m: float = float("nan")
    low_m: float = float("nan")
    high_m: float = float("nan")


def quantile(level: float) -> float:
    """Two-sided normal quantile of a confidence level."""
    return float(ndtri(0.5 + level / 2.0))


def threshold(
    transform: GapTransform, coefficients: Array, covariance: Array, gap_max_m: float, z: float
) -> Threshold:
    """Find where an attack-minus-reset difference crosses zero.

    The difference of log odds is ``D(gap) = d[0] + d[1:]'h(gap)``. The confidence set holds
    the gaps at which D cannot be told from zero: for one column of h it is Fieller's set
    in closed form, for a spline the same inequality on a grid of 1 cm.

    Parameters
    ----------
    transform : GapTransform
    coefficients : ndarray, shape (1 + k,)
    covariance : ndarray, shape (1 + k, 1 + k)
    gap_max_m : float
        The widest gap to speak of.
    z : float
        Normal quantile of the level.
    """
    gaps = np.append(np.arange(0.0, gap_max_m, _GRID_M), gap_max_m)
    rows = np.column_stack([np.ones(len(gaps)), transform.basis(gaps)])
    difference = rows @ coefficients
    error = np.sqrt(np.einsum("gi,ij,gj->g", rows, covariance, rows))
    attack, reset = difference > z * error, difference < -z * error
    if attack.all():
        return Threshold(ALWAYS_ATTACK)
    if reset.all():
        return Threshold(ALWAYS_RESET)
    low, high = _ends(transform, coefficients, covariance, gaps, attack, reset, z)
    # only a difference that rises from reset to attack makes a threshold
    starts = low if reset[0] and not attack[: np.searchsorted(gaps, low)].any() else np.nan
    ends = high if attack[-1] and not reset[np.searchsorted(gaps, high) :].any() else np.nan
    if np.isnan(starts) or np.isnan(ends):
        return Threshold(NOT_KNOWN, low_m=starts, high_m=ends)
    return Threshold(CROSSES, _root(gaps, difference), starts, ends)


def _ends(
    transform: GapTransform,
    d: Array,
    V: Array,
    gaps: Array,
    attack: NDArray[np.bool_],
    reset: NDArray[np.bool_],
    z: float,
) -> tuple[float, float]:
    """First and last gap at which neither choice is better for sure."""
    if transform.n_columns == 1:
        found = fieller_set(d[0], d[1], V, z)
        if found.kind == "interval":
            return transform.gap_at(found.low), transform.gap_at(found.high)
        # open set: on the side where D is known, its bounded end is the finite one
        h_low, h_high = transform.basis(gaps[[0, -1]])[:, 0]
        inside = [h for h in (found.low, found.high) if h_low < h < h_high]
        ends = [transform.gap_at(h) for h in inside]
        low = min(ends, default=np.nan) if reset[0] else np.nan
        high = max(ends, default=np.nan) if attack[-1] else np.nan
        return low, high
    unsure = np.flatnonzero(~attack & ~reset)
    return (float(gaps[unsure[0]]), float(gaps[unsure[-1]])) if len(unsure) else (np.nan, np.nan)


def _root(gaps: Array, difference: Array) -> float:
    k = int(np.flatnonzero(difference <= 0)[-1])
    share = -difference[k] / (difference[k + 1] - difference[k])
    return float(gaps[k] + share * (gaps[k + 1] - gaps[k]))


def shots_to_settle(
    transform: GapTransform,
    coefficients: Array,
    covariance: Array,
    per_shot: Array,
    gap_max_m: float,
    z: float,
) -> float:
    """Forecast how many further shots would settle an open threshold.

    The estimate is taken to stay where it is while each further shot adds its average
    information to what is known.

    Parameters
    ----------
    per_shot : ndarray, shape (1 + k, 1 + k)
        Information of one shot about the coefficients.

    Returns
    -------
    float
        Further shots, to about one part in six; infinity beyond 20,000.
    """
    known = np.linalg.pinv(covariance)
    for n in np.geomspace(20, _MOST_SHOTS, 45):
        V = np.linalg.pinv(known + n * per_shot)
        if threshold(transform, coefficients, V, gap_max_m, z).status != NOT_KNOWN:
            return float(np.ceil(n))
    return float("inf")
