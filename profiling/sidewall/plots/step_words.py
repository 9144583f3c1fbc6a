"""What pictures of combinations say: names, shares and differences in words."""

from __future__ import annotations

import math
from textwrap import wrap
from typing import Final

from matplotlib.axes import Axes

from sidewall.plots.words import plain, signed

__all__ = [
    "difference_words",
    "lines",
    "one_line",
    "percent",
    "percent_interval",
    "width_in",
]

_LONGEST: Final = 90


def one_line(words: str, longest: int = _LONGEST) -> str:
    """Make words of a combination safe to draw; they may be longer than a name."""
    return plain(words, longest)


def percent(share: float) -> str:
    """Write a share as per cent: a decimal only below ten."""
    return f"{_number(share)}%" if math.isfinite(share) else "none"


def percent_interval(share: float, low: float, high: float) -> str:
    """Write a share and its interval, the sign of per cent once."""
    if not math.isfinite(share):
        return "none"
    return f"{_number(share)}% ({_number(low)} to {_number(high)})"


def _number(share: float) -> str:
    value = 100.0 * share
    return f"{value:.1f}" if 0.0 < value < 9.95 else f"{value:.0f}"


def difference_words(at: float, low: float, high: float) -> str:
    """Write a difference of rates, in rallies in a hundred, with its interval."""
    at, low, high = (100.0 * share for share in (at, low, high))
    return f"{signed(at)} ({signed(low)} to {signed(high)})"


def width_in(ax: Axes) -> float:
    """Width of axes in inches, as far as it is known before the layout is made."""
    figure = ax.get_figure(root=True)
    return float(ax.get_position().width * figure.get_figwidth()) if figure else 6.0


def lines(words: str, inches: float, letters_an_inch: float = 11.0) -> list[str]:
    """Break words into lines that fit on so many inches."""
    return wrap(words, width=max(int(inches * letters_an_inch), 16)) or [""]
