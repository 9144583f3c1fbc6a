"""Wilson's score interval for a proportion."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from sidewall.errors import DataError

__all__ = ["wilson_interval"]


def wilson_interval(
    successes: ArrayLike, n: ArrayLike, level: float = 0.95
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wilson's interval for one proportion or many at once.

    Parameters
    ----------
    successes, n
        Successes and trials; any shapes that broadcast together. Fractions are welcome, so
        that an effective number of trials can stand for ``n``.
    level
        Confidence level, strictly between 0 and 1.

    Returns
    -------
    low, high
        Arrays of the broadcast shape; NaN where ``n`` is 0 or either input is NaN.

    Raises
    ------
    DataError
        If successes are negative or more than the trials, or ``level`` is not inside (0, 1).

    Notes
    -----
    With ``p = successes / n`` and ``z`` the normal quantile of ``(1 + level) / 2``::

        (p + z^2 / 2n  -/+  z sqrt(p (1 - p) / n + z^2 / 4n^2)) / (1 + z^2 / n)

    Source: Wilson 1927, Journal of the American Statistical Association 22:209-212; method 3
    of Newcombe 1998, Statistics in Medicine 17:857-872.
    """
    if not 0.0 < level < 1.0:
        raise DataError(f"level is {level}; give a confidence level between 0 and 1, such as 0.95.")
    k, trials = np.broadcast_arrays(
        np.asarray(successes, dtype=np.float64), np.asarray(n, dtype=np.float64)
    )
    # An effective n times a rate may miss n by rounding; that is not a wrong count.
    slack = 1e-9 * np.maximum(trials, 1.0)
    wrong = (k < -slack) | (k > trials + slack) | (trials < 0.0)
    if wrong.any():
        at = int(np.flatnonzero(wrong)[0])
        raise DataError(
            f"{k.flat[at]:g} successes in {trials.flat[at]:g} trials (position {at}): successes "
            "must lie between 0 and the number of trials. Check which of the two was given first."
        )
    z2 = float(ndtri(0.5 + level / 2.0)) ** 2
    some = trials > 0.0
    safe = np.where(some, trials, 1.0)
    p = np.clip(k / safe, 0.0, 1.0)
    # Written over n + z^2, so that a huge n loses no digits to a tiny z^2 / n.
    centre = (p * safe + z2 / 2.0) / (safe + z2)
    half = np.sqrt(z2 * (p * (1.0 - p) * safe + z2 / 4.0)) / (safe + z2)
    # The algebra gives exactly 0 at p = 0 and 1 at p = 1; rounding must not move them.
    low = np.where(p == 0.0, 0.0, np.clip(centre - half, 0.0, 1.0))
    high = np.where(p == 1.0, 1.0, np.clip(centre + half, 0.0, 1.0))
    known = some & ~np.isnan(k)
    return np.where(known, low, np.nan), np.where(known, high, np.nan)
