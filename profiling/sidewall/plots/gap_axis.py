"""An axis of gaps to the side wall: in the reader's unit, with floorboards beside it."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axes._secondary_axes import SecondaryAxis
from matplotlib.axis import Axis
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import ArrayLike, NDArray

from sidewall.court.units import UNIT_NAMES, parse_unit, to_metres
from sidewall.plots.style import FAINT, MUTED, QUIET, TICK_SIZE


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

    When the width of a floorboard is known the opposite edge shows boards too: that axis is
    returned. The label comes without its unit. A UnitError if the unit is unknown, or boards are
    asked for and their width is missing or not plausible.
    """
    unit = parse_unit(unit)
    per_metre = 1.0 / to_metres(1.0, unit, board_width_m)
    own = ax.xaxis if axis == "x" else ax.yaxis
    own.set_major_locator(_UnitLocator(per_metre))
    own.set_major_formatter(FuncFormatter(lambda value, _: f"{round(value * per_metre, 6):g}"))
    own.set_label_text(f"{label} ({UNIT_NAMES[unit] if unit == 'boards' else unit})")
    if board_width_m is None or unit == "boards":
        return None
    return _board_axis(ax, to_metres(1.0, "boards", board_width_m), axis)


def _board_axis(ax: Axes, board_width_m: float, axis: Literal["x", "y"]) -> SecondaryAxis:
    def to_boards(metres: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(metres, dtype=np.float64) / board_width_m

    def to_metres(boards: ArrayLike) -> NDArray[np.float64]:
        return np.asarray(boards, dtype=np.float64) * board_width_m

    if axis == "x":
        second: SecondaryAxis = ax.secondary_xaxis("top", functions=(to_boards, to_metres))
        scale: Axis = second.xaxis
    else:
        second = ax.secondary_yaxis("right", functions=(to_boards, to_metres))
        scale = second.yaxis
    scale.set_label_text("floorboards", color=QUIET, size=TICK_SIZE)
    scale.set_major_locator(MaxNLocator(nbins=8, integer=True))
    second.tick_params(labelcolor=QUIET, color=MUTED, labelsize=TICK_SIZE)
    for spine in second.spines.values():
        spine.set_color(FAINT)
    return second
