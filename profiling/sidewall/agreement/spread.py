"""How many standard deviations over draws of rallies an interval reaches."""

from __future__ import annotations

import numpy as np
from scipy.special import stdtrit

from sidewall.arguments import Array


def reach(shots_of_rally: Array, level: float) -> float:
    """Half-width of an interval in standard deviations over draws of whole rallies.

    Parameters
    ----------
    shots_of_rally : ndarray, shape (rallies,)
        Compared shots in each rally.
    level : float

    Returns
    -------
    float
        Student's t quantile on the effective number of rallies less one,
        ``(sum m)^2 / sum m^2 - 1``: long rallies among short ones carry the variance, so
        that it is known as poorly as from fewer rallies (after Kish 1965, Survey Sampling).
        Times ``sqrt(G / (G - 1))``: G rallies drawn with replacement vary a little too
        little.
    """
    m = np.asarray(shots_of_rally, dtype=float)
    rallies, effective = len(m), m.sum() ** 2 / np.sum(m**2)
    t = float(stdtrit(max(effective - 1.0, 1.0), 0.5 + level / 2.0))
    return t * float(np.sqrt(rallies / max(rallies - 1, 1)))
