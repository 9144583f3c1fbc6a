"""A table of colours: shares in cells, with words in them."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from numpy.typing import NDArray

from sidewall.plots.style import INK, PAPER, colour_bar, value_map

__all__ = ["heat"]


def heat(
    ax: Axes,
    share: NDArray[np.float64],
    words: NDArray[np.object_],
    *,
    size: float = 10.0,
    **bar: Any,
) -> None:
    """Draw shares as colours, row 0 at the top, with a bar that explains them.

    Parameters
    ----------
    ax
        Axes to draw into; a cell is one unit wide and high.
    share : ndarray, shape (rows, columns)
        From 0 to 1; nothing is drawn where one is missing.
    words : ndarray of str, shape (rows, columns)
        Written in the cells; may be empty.
    size
        Of the words, points.
    **bar
        Shape of the bar; see :func:`~sidewall.plots.style.colour_bar`.
    """
    import seaborn as sns  # noqa: PLC0415 - slow to load

    # round twentieths, so that pictures of one kind can be compared
    most = float(np.ceil(np.nanmax(share, initial=0.05) * 20.0 - 1e-9) / 20.0)
    norm = Normalize(0.0, most)
    sns.heatmap(
        share, ax=ax, cmap=value_map(), norm=norm, cbar=False, annot=words, fmt="",
        annot_kws={"fontsize": size, "color": INK}, linewidths=0.8, linecolor=PAPER,
        xticklabels=False, yticklabels=False, rasterized=False, label="_cells",
    )  # fmt: skip
    colour_bar(ax, norm, lambda value: f"{100 * value:.0f}%", **bar)
