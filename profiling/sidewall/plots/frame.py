"""Heading and small print of a figure that a picture has made for itself."""

from __future__ import annotations

from textwrap import fill

from matplotlib.figure import Figure

from sidewall.plots.letters import columns, drawable
from sidewall.plots.style import INK, QUIET

__all__ = ["foot", "head"]

_LEFT = 0.012
#: Letters that fit on an inch, at the size of each text.
_HEAD_LETTERS, _FOOT_LETTERS = 7.5, 13.6


def head(figure: Figure, words: str) -> None:
    """Write the heading, on as many lines as it takes."""
    words, style = drawable(words, weight="bold")
    wide = columns(words) - len(words)
    lines = fill(words, width=max(int(_HEAD_LETTERS * figure.get_figwidth()) - wide, 16))
    figure.suptitle(lines, x=_LEFT, ha="left", fontsize=14, fontweight="bold", color=INK, **style)


def foot(figure: Figure, words: str) -> None:
    """Say below the panels how to read them."""
    lines = fill(words, width=int(_FOOT_LETTERS * figure.get_figwidth()))
    figure.supxlabel(lines, x=_LEFT, ha="left", fontsize=9.5, color=QUIET)
