"""What the log holds of the grounds for a choice, as columns of numbers.

Only what is there before the shot is struck. The distance that the opponent has to cover
to the next ball, for one, is a result of the choice, and adjusting for it would take away
part of what the choice does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, names_of
from sidewall.court.court import Court
from sidewall.errors import DataError

#: Logged reason -> what it says. Numbers first, then words.
REASONS: Final[dict[str, str]] = {
    "y_m": "how far from the front wall the ball is met",
    "tempo_s": "time since the opponent struck",
    "opponent_from_t_m": "how far the opponent stands from the T",
    "own_previous_gap_left_m": "how loose the ball was that one left before",
    "lead": "points ahead",
    "shot": "how far into the rally",
    "side": "forehand or backhand",
    "family": "volley or after the bounce",
    "balance": "set, stretched or jammed",
    "incoming_stroke": "the stroke that is answered",
    "player": "who strikes",
}
_NUMBERS: Final = tuple(REASONS)[:6]
#: A word is told apart when it is met so often among attacks and among resets.
_LEAST: Final = 10


@dataclass(frozen=True)
class Reasons:
    """Columns for the choice and the outcome models, without intercept and gap.

    Attributes
    ----------
    columns : DataFrame, shape (n, k)
        Numbers scaled to mean 0 and standard deviation 1; words as 0 and 1.
    names : list of str
        Reasons taken up.
    left_out : dict of str to str
        Reasons not taken up, and why.
    """

    columns: pd.DataFrame
    names: list[str]
    left_out: dict[str, str]


def logged_reasons(
    used: pd.DataFrame, reasons: Sequence[str] | None = None, court: Court | None = None
) -> Reasons:
    """Take up every reason that the log holds and that varies.

    Parameters
    ----------
    used : DataFrame
        From :func:`sidewall.models.usable.usable_shots`, features and all.
    reasons : sequence of str, optional
        Names of `REASONS`, or of further columns of the log that are known before the shot
        is struck; all of `REASONS` by default.
    court : Court, optional
        For the place of the T.

    Raises
    ------
    DataError
        When a reason that is asked for is no column of the log.

    Notes
    -----
    A missing number is replaced by the mean, beside a column that says that it was missing.
    Words met fewer than ten times among attacks or among resets are put together with the
    commonest one.
    """
    table = _with_derived(used, court or Court())
    asked = list(REASONS if reasons is None else names_of(reasons, "reasons"))
    attack = (table["choice"] == "attack").to_numpy()
    columns: dict[str, Array] = {}
    names, left_out = [], {}
    for name in asked:
        if name not in table.columns:
            if reasons is not None:
                raise DataError(
                    f"the log has no column {name!r}; reasons known by name: {', '.join(REASONS)}"
                )
            left_out[name] = "not charted"
            continue
        numeric = name in _NUMBERS or pd.api.types.is_numeric_dtype(table[name].dtype)
        made = _number(table[name], name) if numeric else _words(table[name], name, attack)
        if made:
            columns |= made
            names.append(name)
        else:
            left_out[name] = "not charted" if table[name].isna().all() else "hardly varies"
    return Reasons(pd.DataFrame(columns, index=used.index, dtype=float), names, left_out)


def _with_derived(used: pd.DataFrame, court: Court) -> pd.DataFrame:
    new: dict[str, Any] = {}
    if {"opponent_x_m", "opponent_y_m"} <= set(used.columns):
        t_x, t_y = court.t_m
        new["opponent_from_t_m"] = np.hypot(used["opponent_x_m"] - t_x, used["opponent_y_m"] - t_y)
    if {"own_points", "opponent_points"} <= set(used.columns):
        new["lead"] = used["own_points"] - used["opponent_points"]
    return used.assign(**new)


def _number(values: pd.Series, name: str) -> dict[str, Array]:
    value = values.to_numpy(dtype=float)
    missing = np.isnan(value)
    spread = value[~missing].std() if (~missing).any() else 0.0
    if not spread > 0:
        return {}
    scaled = np.where(missing, 0.0, (value - value[~missing].mean()) / spread)
    found = {name: scaled}
    if min(missing.sum(), (~missing).sum()) >= _LEAST:
        found[f"{name} missing"] = missing.astype(float)
    return found


def _words(values: pd.Series, name: str, attack: Array) -> dict[str, Array]:
    word = values.astype(object).where(values.notna(), "not charted").astype(str).to_numpy()
    levels, code = np.unique(word, return_inverse=True)
    often = np.minimum(
        np.bincount(code[attack], minlength=len(levels)),
        np.bincount(code[~attack], minlength=len(levels)),
    )
    commonest = int(np.bincount(code, minlength=len(levels)).argmax())
    return {
        f"{name}={level}": (code == k).astype(float)
        for k, level in enumerate(levels)
        if k != commonest and often[k] >= _LEAST
    }
