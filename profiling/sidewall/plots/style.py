"""The look of every picture: colours, lines, type, and how a gap axis is written.

Nothing here touches matplotlib's global settings: `look` is a context manager, and axes are
dressed one by one, so that a notebook's own settings stay as they were.

The hues follow the colour-blind-safe set of Okabe and Ito 2008 (Color Universal Design),
moved in lightness so that each pair that shares a picture differs in grey as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.axes._secondary_axes import SecondaryAxis
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, Normalize, to_rgb
from matplotlib.text import Annotation
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from sidewall.court.units import UNIT_NAMES, parse_unit, to_metres
from sidewall.numbers import count
from sidewall.plots.words import drawable

ATTACK: Final = "#D9700F"
RESET: Final = "#0B4F7D"
FOREHAND: Final = "#12A37C"
BACKHAND: Final = "#6B2A63"
THRESHOLD: Final = "#B3123C"
MUTED: Final = "#8A8D91"
#: Grid lines.
FAINT: Final = "#DADCDD"
#: Small print.
QUIET: Final = "#5E6266"
INK: Final = "#1B1F23"
PAPER: Final = "#FFFFFF"


def luminance(colour: Any) -> float:
    """Compute the relative luminance of a colour, 0 black to 1 white.

    Source: IEC 61966-2-1 (sRGB), as used by the Web Content Accessibility Guidelines 2.1.
    """
    channels = np.array(to_rgb(colour))
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ np.array([0.2126, 0.7152, 0.0722]))


def text_on(background: Any) -> str:
    """Choose dark ink or white, whichever reads better on ``background``."""
    light = luminance(background)
    on_ink = (max(light, luminance(INK)) + 0.05) / (min(light, luminance(INK)) + 0.05)
    return INK if on_ink >= 1.05 / (light + 0.05) else PAPER


@lru_cache(maxsize=1)
def value_map() -> LinearSegmentedColormap:
    """Build the map for a value on the court: even steps of lightness, readable in grey.

    Interpolated in CIELAB between a pale sand, a green and a blue, with lightness
    falling linearly from 95 to 57, so that equal steps of value look equal and dark text
    reads on all of it.
    """
    at = np.linspace(0.0, 1.0, 256)
    lightness = 95.0 - 38.0 * at
    a = np.interp(at, [0.0, 0.5, 1.0], [0.0, -20.0, -8.0])
    b = np.interp(at, [0.0, 0.5, 1.0], [12.0, 2.0, -36.0])
    return LinearSegmentedColormap.from_list("sidewall_value", _lab_to_rgb(lightness, a, b), N=256)


def _lab_to_rgb(
    lightness: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """CIELAB (D65) to sRGB in 0..1. Source: CIE 15 for Lab, IEC 61966-2-1 for sRGB."""
    fy = (lightness + 16.0) / 116.0
    f = np.stack([fy + a / 500.0, fy, fy - b / 200.0], axis=-1)
    delta = 6.0 / 29.0
    xyz = np.where(f > delta, f**3, 3.0 * delta**2 * (f - 4.0 / 29.0))
    xyz *= np.array([0.95047, 1.0, 1.08883])
    matrix = np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
    linear = np.clip(xyz @ matrix.T, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


DPI: Final = 120

#: Colour and line together, so that a black-and-white print still tells the two apart.
CHOICE_STYLE: Final[dict[str, dict[str, Any]]] = {
    "attack": {"color": ATTACK, "linestyle": "-", "marker": "^"},
    "reset": {"color": RESET, "linestyle": (0, (5, 2)), "marker": "o"},
}
SIDE_STYLE: Final[dict[str, dict[str, Any]]] = {
    "forehand": {"color": FOREHAND, "linestyle": "-", "marker": "s"},
    "backhand": {"color": BACKHAND, "linestyle": (0, (1.5, 1.2)), "marker": "D"},
}

#: Size of the numbers along the axes, points.
TICK_SIZE: Final = 10

_SETTINGS: Final[Any] = {
    "figure.dpi": DPI,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "font.family": "sans-serif",
    "font.size": 11,
    "axes.titlesize": 12,
    "axes.titlelocation": "left",
    "axes.labelsize": 11,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.labelsize": TICK_SIZE,
    "ytick.labelsize": 10,
    "xtick.color": INK,
    "ytick.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 10,
    "lines.linewidth": 2.0,
}


@contextmanager
def look() -> Iterator[None]:
    """Draw in the project's look, and leave every setting as it was afterwards."""
    # Loads the backend, which otherwise is loaded by the first figure. That of a notebook
    # switches to interactive then; inside the context this would be undone at its end, and
    # the notebook would show no picture but the first.
    plt.draw_if_interactive()
    with plt.rc_context(_SETTINGS):
        yield


def new_axes(ax: Axes | None = None, size: tuple[float, float] = (6.0, 4.1)) -> Axes:
    """Return the axes given, or new ones in the project's look, `size` inches wide and high.

    A figure without a layout of its own is given matplotlib's constrained one, so that words
    around the axes have room.
    """
    if ax is not None:
        figure = ax.get_figure(root=True)
        if figure is not None and figure.get_layout_engine() is None:
            figure.set_layout_engine("constrained")
        return ax
    with look():
        _, fresh = plt.subplots(figsize=size, layout="constrained")
    return fresh


def dress(ax: Axes, grid: Literal["x", "y", "both", "none"] = "y") -> Axes:
    """Give axes the project's spines, ticks, text sizes and faint grid, and return them.

    Set on the axes themselves, because ticks that matplotlib makes later would otherwise fall
    back to the notebook's settings.
    """
    for edge in ("top", "right"):
        ax.spines[edge].set_visible(False)
    for edge in ("left", "bottom"):
        ax.spines[edge].set_color(MUTED)
    ax.tick_params(colors=INK, labelsize=TICK_SIZE, color=MUTED)
    ax.xaxis.label.set(size=_SETTINGS["axes.labelsize"], color=INK)
    ax.yaxis.label.set(size=_SETTINGS["axes.labelsize"], color=INK)
    ax.set_axisbelow(True)
    ax.grid(False)
    if grid != "none":
        ax.grid(True, axis=grid, color=FAINT, linewidth=0.8)
    return ax


def title(ax: Axes, words: str) -> None:
    """Set the title of axes, left-aligned, in the project's look."""
    words, style = drawable(words)
    ax.set_title(words, loc="left", fontsize=_SETTINGS["axes.titlesize"], color=INK, **style)


def legend(ax: Axes, **places: Any) -> Any:
    """Add a legend without a frame; ``places`` go to matplotlib's ``Axes.legend``."""
    return ax.legend(frameon=False, fontsize=_SETTINGS["legend.fontsize"], labelcolor=INK, **places)


def colour_bar(ax: Axes, norm: Normalize, words: Callable[[float], str], **shape: Any) -> None:
    """Put a bar of `value_map`'s colours under the axes; `words` writes a value.

    Its shape is matplotlib's ``fraction``, ``aspect`` and ``shrink``.
    """
    shape |= {"ax": ax, "orientation": "horizontal", "pad": 0.02}
    bar = ax.figure.colorbar(
        ScalarMappable(norm, value_map()), ticks=MaxNLocator(nbins=5, steps=[1, 2, 5, 10]),
        format=FuncFormatter(lambda value, _: words(value)), **shape,
    )  # fmt: skip
    bar.ax.tick_params(labelsize=9, colors=INK, length=2)
    outline: Any = bar.outline
    outline.set_visible(False)


def words_at(
    ax: Axes, words: str, at: tuple[float, float], points: tuple[float, float], **look: Any
) -> Annotation:
    """Write words some points from a place, by default in parts of the axes; none are cut off."""
    words, letters = drawable(words, look.get("fontweight", "normal"))
    look = {"xycoords": "axes fraction"} | letters | look
    return ax.annotate(words, at, points, textcoords="offset points", annotation_clip=False, **look)


def note_below(ax: Axes, words: str, down: float, size: float = 9.0, spacing: float = 1.2) -> None:
    """Write small print, one line or more, `down` points below the axes, from their left edge.

    Letters have a `size` in points; the `spacing` from line to line is in sizes of the letters.
    """
    look: Any = {"fontsize": size, "color": QUIET, "linespacing": spacing}
    words_at(ax, words, (0.0, 0.0), (0, -down), ha="left", va="top", **look)


def note_n(ax: Axes, shots: int, rallies: int | None = None, *, more: str = "") -> Annotation:
    """Say how many shots a picture rests on, in the lower right corner below the axes.

    Rallies are left out where None; `more` words may follow, such as the confidence level.
    """
    words = f"n = {count(shots, 'shot')}"
    if rallies is not None:
        words += f" in {count(rallies, 'rally', 'rallies')}"
    if more:
        words += f"; {more}"
    return words_at(ax, words, (1.0, 0.0), (0, -36), ha="right", va="top", fontsize=9, color=QUIET)


class _UnitLocator(MaxNLocator):
    """Round ticks in the reader's unit on an axis whose data are metres."""

    def __init__(self, per_metre: float) -> None:
        super().__init__(nbins=8, steps=[1, 2, 2.5, 5, 10])
        self._per_metre = per_metre

    def tick_values(self, vmin: float, vmax: float) -> Any:
        ticks = super().tick_values(vmin * self._per_metre, vmax * self._per_metre)
        return np.asarray(ticks) / self._per_metre


def format_gap_axis(
    ax: Axes,
    unit: str = "cm",
    board_width_m: float | None = None,
    *,
    axis: Literal["x", "y"] = "x",
    label: str = "gap to the side wall",
) -> SecondaryAxis | None:
    """Write an axis whose data are gaps in metres in the unit the reader thinks in.

    When the width of a floorboard is known the edge opposite an x-axis shows boards too: that axis
    is returned. The label comes without its unit. A UnitError if the unit is unknown, or boards are
    asked for and their width is missing or not plausible.
    """
    unit = parse_unit(unit)
    per_metre = 1.0 / to_metres(1.0, unit, board_width_m)
    own = ax.xaxis if axis == "x" else ax.yaxis
    own.set_major_locator(_UnitLocator(per_metre))
    own.set_major_formatter(FuncFormatter(lambda value, _: f"{round(value * per_metre, 6):g}"))
    own.set_label_text(f"{label} ({UNIT_NAMES[unit] if unit == 'boards' else unit})")
    if board_width_m is None or unit == "boards" or axis == "y":
        return None
    return _board_axis(ax, to_metres(1.0, "boards", board_width_m))


def _board_axis(ax: Axes, board_width_m: float) -> SecondaryAxis:
    functions = (lambda metres: metres / board_width_m, lambda boards: boards * board_width_m)
    second: SecondaryAxis = ax.secondary_xaxis("top", functions=functions)
    second.set_xlabel("floorboards", color=QUIET, size=TICK_SIZE)
    second.xaxis.set_major_locator(MaxNLocator(nbins=8, integer=True))
    second.tick_params(labelcolor=QUIET, color=MUTED, labelsize=TICK_SIZE)
    for spine in second.spines.values():
        spine.set_color(FAINT)
    return second
