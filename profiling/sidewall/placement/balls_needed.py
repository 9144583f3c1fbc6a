"""How many balls a drill needs, so that a given change would be seen."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtri

from sidewall.arguments import check_level, check_share
from sidewall.errors import DataError


def balls_needed(before: float, after: float, *, power: float = 0.8, level: float = 0.95) -> int:
    """Balls before, and as many after, to see the share on target go from one to another.

    Parameters
    ----------
    before, after
        Shares on target, between 0 and 1.
    power
        Chance to see the change if it is there.
    level
        Confidence level of the (two-sided) comparison.

    Returns
    -------
    int

    Raises
    ------
    DataError
        If the shares are equal or not inside 0 to 1.

    Notes
    -----
    With ``p`` the mean of both shares and ``q = 1 - p``::

        n = (z_a sqrt(2 p q) + z_b sqrt(p1 q1 + p2 q2))^2 / (p1 - p2)^2

    Source: Fleiss, Levin & Paik 2003, *Statistical Methods for Rates and Proportions*, 3rd
    ed., 4.2 (without continuity correction). Balls are taken as independent of each other.
    """
    check_level(level)
    check_share(before, "before")
    check_share(after, "after")
    check_share(power, "power")
    if before == after:
        raise DataError(f"before and after are both {before:g}; no number of balls shows nothing")
    mean = (before + after) / 2.0
    z_a, z_b = float(ndtri(0.5 + level / 2.0)), float(ndtri(power))
    spread = z_a * math.sqrt(2.0 * mean * (1.0 - mean)) + z_b * math.sqrt(
        before * (1.0 - before) + after * (1.0 - after)
    )
    return math.ceil(spread**2 / (before - after) ** 2)


def balls_needed_for_error(
    sd_m: float, change_m: float, *, power: float = 0.8, level: float = 0.95
) -> int:
    """Balls before, and as many after, to see the mean error move by so many metres.

    Parameters
    ----------
    sd_m
        Standard deviation of single balls, metres.
    change_m
        The change to be seen, metres.
    power, level
        See `balls_needed`.

    Returns
    -------
    int

    Raises
    ------
    DataError
        If the spread is not positive or the change is zero.

    Notes
    -----
    The smallest n at which the two-sample t test has the power, by the noncentral t
    distribution (Cohen 1988, *Statistical Power Analysis for the Behavioral Sciences*, 2nd
    ed., chapter 2).
    """
    from scipy.stats import nct, t  # noqa: PLC0415 - slow to load

    check_share(power, "power")
    check_level(level)
    if not (sd_m > 0 and math.isfinite(sd_m)) or change_m == 0 or not math.isfinite(change_m):
        raise DataError(
            f"sd_m is {sd_m:g} and change_m {change_m:g}; give metres, both other than zero"
        )
    effect = abs(change_m) / sd_m

    def chance(n: int) -> float:
        df = 2 * n - 2
        limit = t.ppf(0.5 + level / 2.0, df)
        away = effect * math.sqrt(n / 2.0)
        # The far tail counts as well, and for large effects is nothing.
        far = float(nct.cdf(-limit, df, away))
        return float(nct.sf(limit, df, away)) + (far if np.isfinite(far) else 0.0)

    low, high = 1, 2
    while chance(high) < power:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= power else (middle, high)
    return high
