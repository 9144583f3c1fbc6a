"""Heights on the front wall as the tin margin needs them: seen, or known to be below the tin."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import pandas as pd

from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.features.shots import with_features

#: Upper edge of the tin: singles court, and professional play (World Squash Federation,
#: Specifications for Squash Courts).
TIN_HEIGHTS_M: Final = (0.43, 0.48)

Pressure = Literal["none", "balance", "gap"]


def wall_heights(
    shots: pd.DataFrame,
    tin_height_m: float = 0.48,
    pressure: Pressure = "none",
    tight_below_m: float = 0.3,
) -> tuple[pd.DataFrame, pd.Series]:
    """Keep the shots whose height is known, exactly or as "in the tin".

    Parameters
    ----------
    shots
        A shot table or a table of features, with ``wall_z_m``.
    tin_height_m
        Upper edge of the tin for matches that do not carry their own.
    pressure
        How shots are told apart: by ``balance`` (set, or pressed: stretched or jammed), by the
        incoming ``gap`` (loose, or tight), or not at all.
    tight_below_m
        Gap below which a ball counts as tight.

    Returns
    -------
    table : DataFrame
        As features, and ``tin_m`` (that match's tin), ``in_tin``, ``height_m`` (NaN in the
        tin), ``pressure``.
    left_out : Series of int
        Shots left out, by reason; each counts under its first.

    Raises
    ------
    DataError
        If the log has no heights at all, or `pressure` needs a column that it lacks.

    Notes
    -----
    A shot is in the tin if its ending says so, with or without a height. A height that was
    charted in the tin is not used beyond that: nobody measures it well. A ball that went out
    without a height is left out, though it was a high one: chart the height of such balls.
    """
    need_columns(shots, ("wall_z_m", "ending"))
    if not 0.2 < tin_height_m < 1.0:
        raise DataError(f"tin_height_m is {tin_height_m}; give metres, such as 0.48 or 0.43")
    table = with_features(shots)
    z = table["wall_z_m"].to_numpy(dtype=float)
    tin = np.full(len(table), tin_height_m)
    if "tin_height_m" in table.columns:
        charted = table["tin_height_m"].to_numpy(dtype=float)
        tin = np.where(np.isnan(charted), tin, charted)
    ending = table["ending"].astype(object).to_numpy()
    in_tin = ending == "tin"
    reasons = {
        "serve": (table["stroke"] == "serve").to_numpy(),
        "down": (ending == "down") & ~in_tin,
        "height not charted": np.isnan(z) & ~in_tin,
        "below the tin, yet not ended there: check wall_z and tin_height": ~in_tin & (z < tin),
    }
    words, unknown = _pressure(table, pressure, tight_below_m)
    reasons |= unknown
    first = np.select(list(reasons.values()), range(1, len(reasons) + 1), 0)
    counts = np.bincount(first, minlength=len(reasons) + 1)[1:]
    left_out = pd.Series(counts, list(reasons), name="shots")
    table = table.assign(
        tin_m=tin, in_tin=in_tin, height_m=np.where(in_tin, np.nan, z), pressure=words
    )
    used = table[first == 0]
    if used["height_m"].notna().sum() == 0:
        raise DataError(
            "no shot has a height on the front wall above the tin: chart wall_z for some matches"
        )
    return used, left_out[left_out > 0]


def _pressure(
    table: pd.DataFrame, pressure: Pressure, tight_below_m: float
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    if pressure == "none":
        return np.full(len(table), "any", dtype=object), {}
    if pressure == "balance":
        need_columns(table, ("balance",))
        balance = table["balance"].astype(object)
        words = np.where(balance == "set", "set", "pressed")
        return words.astype(object), {"balance not charted": balance.isna().to_numpy()}
    if pressure == "gap":
        gap = table["gap_m"].to_numpy(dtype=float)
        words = np.where(gap < tight_below_m, "tight", "loose")
        return words.astype(object), {"gap not charted": np.isnan(gap)}
    raise DataError(f"pressure is {pressure!r}; it must be 'none', 'balance' or 'gap'")
