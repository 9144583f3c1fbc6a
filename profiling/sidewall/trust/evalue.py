"""The E-value: how strong an unseen reason would have to be to explain a difference away."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array, numbers_of
from sidewall.errors import DataError


def e_value(risk_ratio: ArrayLike) -> Array:
    """How strong an unseen reason would have to be to explain a risk ratio away.

    The least risk ratio that the reason would need with the choice *and* with winning,
    both, beyond everything that is adjusted for, if the choice itself did nothing:
    ``RR + sqrt(RR (RR - 1))``, of 1 / RR for a ratio below 1 (VanderWeele & Ding 2017, Annals
    of Internal Medicine 167:268-274). A reason that falls short in one can make up for it
    in the other.

    Parameters
    ----------
    risk_ratio : array-like
        Above zero; NaN gives NaN.

    Returns
    -------
    ndarray
        1 where there is nothing to explain.

    Raises
    ------
    DataError
        When a ratio is not above zero.

    Examples
    --------
    >>> round(float(e_value(3.9)), 2)
    7.26
    """
    ratio = numbers_of(risk_ratio, "risk_ratio")
    if (ratio <= 0).any():
        raise DataError(
            f"a risk ratio is {ratio[ratio <= 0].flat[0]:g}; it must be above zero: the chance of "
            "winning after an attack over the chance after a reset"
        )
    away = np.maximum(ratio, 1.0 / ratio)
    return np.asarray(away + np.sqrt(away * (away - 1.0)))


def e_value_of_limit(risk_ratio: ArrayLike, low: ArrayLike, high: ArrayLike) -> Array:
    """E-value of the confidence limit that is nearer to 1; 1 where the interval holds 1.

    Parameters
    ----------
    risk_ratio, low, high : array-like
        Ratios and their confidence limits, all above zero.

    Raises
    ------
    DataError
        When a limit is not above zero, or a ratio does not lie between its limits.
    """
    ratio, below, above = (np.asarray(x, dtype=float) for x in (risk_ratio, low, high))
    if ((ratio < below) | (ratio > above)).any():
        raise DataError("a risk ratio does not lie between its limits; check their order")
    nearer = np.select([below > 1.0, above < 1.0], [below, above], 1.0)
    nearer = np.where(np.isnan(below) | np.isnan(above), np.nan, nearer)
    return e_value(nearer)
