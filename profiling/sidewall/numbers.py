"""Numbers in words: signs, counts, shares and intervals, written one way everywhere."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

#: In the place of a number that the log does not tell.
UNKNOWN = "not known yet"


def number(value: float, digits: int = 0) -> str:
    """Write a number with a true minus; nothing has none."""
    written = f"{abs(value):.{digits}f}"
    return f"−{written}" if value < 0 and float(written) else written


def signed(value: float, digits: int = 1) -> str:
    """Write a difference with its sign, a true minus; nothing has no sign."""
    written = number(value, digits)
    return f"+{written}" if value > 0 and float(written) else written


def spread(ends: Iterable[float], write: Callable[[float], str]) -> str:
    """Write an estimate with its two ends behind it, or that it is not known."""
    at, low, high = ends
    if not all(map(math.isfinite, (at, low, high))):
        return UNKNOWN
    return f"{write(at)} ({write(low)} to {write(high)})"


def in_100(value: float) -> str:
    """Write a share in 100: a decimal only where it says something."""
    value *= 100.0
    return f"{value:.1f}" if 0.0 < value < 9.95 else f"{value:.0f}"


def share(at: float, low: float, high: float) -> str:
    """Write a share in 100 with its interval."""
    return spread((at, low, high), in_100)


def count(n: int, one: str, many: str | None = None) -> str:
    """Write a count with its noun."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"
