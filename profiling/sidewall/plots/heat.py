"""A table of colours: shares in cells, with words in them."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from numpy.typing import NDArray

from sidewall.plots.style import INK, PAPER, colour_bar, value_map


def heat(
    ax: Axes,
    share: NDArray[np.float64],
    words: NDArray[np.object_],
    *,
    size: float = 10.0,
    **bar: Any,
) -> None:
    """Draw shares, (rows, columns), as colours, row 0 at the top, with a bar that explains them.

    A cell is one unit wide and high, with words of `size` points in it; nothing is drawn where a
    share is missing. `bar` is as :func:`~sidewall.plots.style.colour_bar` takes it.
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
