"""Where a straight line crosses zero, with a confidence set that does not pretend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class FiellerSet:
    """The values x at which ``a + b x`` cannot be told from zero.

    Attributes
    ----------
    estimate : float
        ``-a / b``.
    low, high : float
        Ends of the set; infinite where it is open.
    kind : {"interval", "outside", "line"}
        ``interval``: all x between low and high. ``outside``: all x up to low and from
        high on (the slope cannot be told from zero). ``line``: every x.
    """

    estimate: float
    low: float
    high: float
    kind: str

    def contains(self, x: ArrayLike) -> np.ndarray:
        """Whether each x belongs to the set."""
        values = np.asarray(x, dtype=float)
        if self.kind == "outside":
            return (values <= self.low) | (values >= self.high)
        return (values >= self.low) & (values <= self.high)


def fieller_set(a: float, b: float, cov: ArrayLike, z: float = 1.959964) -> FiellerSet:
    """Confidence set for the root of ``a + b x``.

    The set holds each x with ``(a + b x)^2 <= z^2 Var(a + b x)``, a quadratic inequality
    (Fieller 1954, Journal of the Royal Statistical Society B 16:175-185).

    Parameters
    ----------
    a, b : float
        Estimated intercept and slope.
    cov : array-like, shape (2, 2)
        Covariance of (a, b).
    z : float, default 1.959964
        Normal quantile of the wanted level.

    Returns
    -------
    FiellerSet
        A slope that differs from zero at this level gives an interval; else the set is
        everything outside an interval, or the whole line.

    Examples
    --------
    >>> fieller_set(-1.0, 2.0, [[0.04, 0.0], [0.0, 0.01]]).estimate
    0.5
    """
    (vaa, vab), (_, vbb) = np.asarray(cov, dtype=float)
    square, cross, constant = b * b - z * z * vbb, a * b - z * z * vab, a * a - z * z * vaa
    estimate = -a / b if b != 0 else float("nan")
    if square == 0.0:  # the parabola is a line: one end is at infinity
        if cross == 0.0:
            inside = constant <= 0
            return FiellerSet(
                estimate, *((-np.inf, np.inf) if inside else (np.nan, np.nan)), "line"
            )
        root = -constant / (2 * cross)
        low, high = (-np.inf, root) if cross > 0 else (root, np.inf)
        return FiellerSet(estimate, low, high, "interval")
    discriminant = cross * cross - square * constant
    if discriminant < 0:  # only when the slope is weak: every x fits
        return FiellerSet(estimate, -np.inf, np.inf, "line")
    # the root of larger size first, the other from their product: no cancellation
    far = -(cross + np.copysign(np.sqrt(discriminant), cross))
    roots = sorted((far / square, constant / far if far != 0 else 0.0))
    kind = "interval" if square > 0 else "outside"
    return FiellerSet(estimate, float(roots[0]), float(roots[1]), kind)
