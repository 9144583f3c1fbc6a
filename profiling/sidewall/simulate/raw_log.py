"""From a checked table of shots back to a log as it is typed."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.court.units import board_width, parse_unit, to_display

_ORDER: Final = (
    *("match", "game", "rally", "shot", "player", "side", "stroke", "direction", "contact"),
    *("gap_m", "choice", "balance", "rally_won_by", "ending"),
    *("x_m", "y_m", "bounce_x_m", "bounce_y_m", "wall_z_m", "opponent_x_m", "opponent_y_m"),
    *("t_s", "hand", "group", "date", "tin_height_m", "board_width_m", "scoring"),
)
_DETAILS: Final = ("hand", "group", "date", "tin_height_m", "board_width_m", "scoring")
#: Decimals that lose nothing of a whole number of centimetres, or of half boards.
_DECIMALS: Final = {"cm": 1, "m": 3, "in": 2, "boards": 2}


def to_log(
    shots: pd.DataFrame,
    unit: str = "cm",
    *,
    board_width_m: float | None = None,
    details: bool = True,
) -> pd.DataFrame:
    """Turn a canonical shot table into a log as a charter types it.

    Parameters
    ----------
    shots : DataFrame
        A canonical shot table.
    unit : {"cm", "in", "m", "boards"}
        Of the gap; it goes into the column's name.
    board_width_m : float, optional
        Needed for boards if `shots` has no column ``board_width_m``; the width is written
        into the column ``board_width_cm``.
    details : bool, default True
        Whether details of player and match (hand, date and so on) are kept.

    Returns
    -------
    DataFrame
        The columns of a shot log; what is not known is missing. With gaps in cm or m,
        :func:`sidewall.read_shots` gives `shots` back.

    Raises
    ------
    UnitError
        If the unit is unknown, or boards are asked for without their width.
    """
    known = parse_unit(unit)
    width = _widths(shots, board_width_m) if known == "boards" else None
    columns: dict[str, Any] = {}
    for name in _ORDER:
        if name not in shots or (name in _DETAILS and not details):
            continue
        values = shots[name]
        if name == "gap_m":
            gap = values / width if width is not None else to_display(values, known)
            columns[f"gap_{known}"] = gap.round(_DECIMALS[known])
        elif name == "t_s":
            columns["t"] = values
        elif name == "board_width_m" and known == "boards":
            continue
        elif isinstance(values.dtype, pd.CategoricalDtype):
            columns[name] = values.astype(object).where(values.notna(), None)
        else:
            columns[name] = values
    if width is not None:
        columns["board_width_cm"] = np.round(100 * width, 2)
    return pd.DataFrame(columns)


def _widths(shots: pd.DataFrame, board_width_m: float | None) -> NDArray[np.float64]:
    if board_width_m is None and "board_width_m" in shots:
        known = shots["board_width_m"].to_numpy(dtype=float)
        if not np.isnan(known).any():
            return known
    return np.full(len(shots), board_width(board_width_m))
