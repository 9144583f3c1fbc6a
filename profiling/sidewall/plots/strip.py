"""A bar below the curves: at which gaps one choice is right at least 4 times in 5."""

from __future__ import annotations

from itertools import groupby
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sidewall.court.units import GapWords
from sidewall.plots.style import CHOICE_STYLE, FAINT, text_on

__all__ = ["OFTEN", "STRIP", "Stretch", "choice_strip", "stretches", "sure_words"]

#: How sure a choice must be before the bar names it.
OFTEN: Final = 0.8
#: Lower and upper edge of the bar, on an axis of per cent.
STRIP: Final = (-24.0, -11.5)

_OPEN: Final = "too close to call"


class Stretch(NamedTuple):
    """Gaps from `low_m` to `high_m` at which `choice` is right often enough, or neither is."""

    choice: str
    low_m: float
    high_m: float


def stretches(curve: pd.DataFrame, widest_m: float) -> list[Stretch]:
    """Cut the gaps into stretches by the choice that is right at least 4 times in 5.

    Parameters
    ----------
    curve : DataFrame
        Rows of one player, side and family of :meth:`TightnessModel.curves`, gaps rising.
    widest_m : float
        End of the last stretch.

    Returns
    -------
    list of Stretch
        In order, without holes; ``choice`` is attack, reset or too close to call.
    """
    better = curve["p_attack_sure"].to_numpy()
    names = np.where(better >= OFTEN, "attack", np.where(1 - better >= OFTEN, "reset", _OPEN))
    found: list[Stretch] = []
    for name, rows in groupby(zip(names, curve["gap_m"], strict=True), key=lambda row: row[0]):
        first = float(next(rows)[1])
        if found:
            found[-1] = found[-1]._replace(high_m=first)
        found.append(Stretch(str(name), first, widest_m))
    return found


def choice_strip(ax: Axes, curve: pd.DataFrame, widest_m: float) -> None:
    """Draw the stretches as a bar with the choice written in it."""
    reach = ax.get_xlim()[1]
    for part in stretches(curve, widest_m):
        choice, low, high = part
        colour = FAINT if choice == _OPEN else CHOICE_STYLE[choice]["color"]
        ax.fill_between([low, high], *STRIP, color=colour, lw=0, zorder=3, label=f"_strip {choice}")
        for words in (choice, "unsure") if choice == _OPEN else (choice,):
            if (high - low) / reach > 0.024 * len(words):
                ax.text(
                    (low + high) / 2,
                    sum(STRIP) / 2 - 0.4,
                    words,
                    ha="center",
                    va="center",
                    fontsize=9.5,
                    color=text_on(colour),
                    zorder=4,
                )
                break


def sure_words(curve: pd.DataFrame, words: GapWords) -> str:
    """Say from which gap on, or up to which, a choice is right 4 times in 5; may be empty."""
    parts = stretches(curve, np.inf)
    if not parts:
        return ""
    if len(parts) == 1:
        return (
            ""
            if parts[0].choice == _OPEN
            else f"{parts[0].choice} is right 4 times in 5 at any gap"
        )
    if parts[-1].choice == "attack":
        return f"attack is right 4 times in 5 from {words.gap(parts[-1].low_m)}"
    if parts[0].choice == "reset":
        return f"reset is right 4 times in 5 up to {words.gap(parts[0].high_m)}"
    return ""
