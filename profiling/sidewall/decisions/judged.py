"""Every attack and reset judged against the striker's own threshold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.combinations.waited import CALLS, CLOSE, LOOSE, TIGHT, UNKNOWN, ball_calls
from sidewall.decisions.choice_worth import ChoiceWorth, situations_of
from sidewall.errors import DataError
from sidewall.features.coded import as_category
from sidewall.features.shots import with_features
from sidewall.models.cells import ALL_STROKES
from sidewall.models.thresholds import quantile

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["DECISIONS", "decisions"]

Array = NDArray[Any]

#: In the order of all tables.
DECISIONS: Final = (
    "attacked loose",
    "reset tight",
    "forced",
    "passed up",
    "too close to call",
    "not known yet",
)
_KEPT: Final = (
    *("match", "game", "rally", "shot", "player", "opponent", "rally_id"),
    *("side", "family", "stroke", "direction", "choice", "balance"),
)
_ALSO: Final = (
    *("depth", "lane", "wall", "own_points", "opponent_points", "own_games", "opponent_games"),
    *("is_server", "won", "ending", "t_s", "line"),
)


def decisions(shots: pd.DataFrame, model: TightnessModel, level: float = 0.95) -> pd.DataFrame:
    """Judge every shot that has a choice and a gap against its striker's own threshold.

    The threshold is that of the player, side, stroke family and situation (the columns in the
    model's ``situation``). A ball below the threshold's confidence set is tight and one above
    it loose; within the set nobody can say.

    Parameters
    ----------
    shots : DataFrame
        Whole rallies, from `sidewall.read_shots` or `sidewall.shot_features`.
    model : TightnessModel
        Fitted, as a rule by value: its sets are narrower and judge more balls.
    level : float, default 0.95
        Of the confidence sets and intervals.

    Returns
    -------
    DataFrame
        One row a shot, in the order of play: the rally's keys, players, side, family, stroke,
        choice, places and score before the rally; ``line`` of the log and ``t_s`` where there
        are any; ``gap_m``; the threshold as ``status``, ``threshold_m``, ``low_m``,
        ``high_m``; and

        - ``decision``: *attacked loose*, *reset tight*, *forced* (attacked a tight ball),
          *passed up* (reset a loose one), *too close to call*, *not known yet*;
        - ``points``: the player's chance of winning the rally with the choice that was made,
          minus that with the other choice at this gap, with ``points_low`` and
          ``points_high`` (delta method, one shot at a time): above 0 it brought, below 0 it
          cost. Missing where the decision is not known yet.

        ``attrs["left_out"]`` counts, by reason, shots that cannot be judged.

    Raises
    ------
    DataError
        If a situation column of the model is missing, or no shot has a choice and a gap.
    NotFittedError
        If the model is not fitted.
    """
    model._need_fit()
    z = quantile(level)
    table, left_out = _with_choice(with_features(shots), list(model.design_.situation))
    if model.families_ == (ALL_STROKES,):
        table = table.assign(family=ALL_STROKES)
    call, known = _calls(table, model, level)
    attack = (table["choice"] == "attack").to_numpy()
    code = np.select(
        [
            call == UNKNOWN,
            call == CLOSE,
            attack & (call == LOOSE),
            ~attack & (call == TIGHT),
            attack,
        ],
        [5, 4, 0, 1, 2],
        3,
    )
    worth = ChoiceWorth(model, table)
    code = np.where(worth.known, code, DECISIONS.index("not known yet"))
    told = code != DECISIONS.index("not known yet")
    points = np.where(told, worth.difference(), np.nan)
    half = z * worth.errors()
    kept = [name for name in _KEPT if name in table.columns]
    also = [name for name in _ALSO if name in table.columns]
    kept += [name for name in model.design_.situation if name not in (*kept, *also)]
    found = table[kept].assign(
        gap_m=table["gap_m"],
        **known,
        decision=as_category(code.astype(np.int64), DECISIONS),
        points=points,
        points_low=points - half,
        points_high=points + half,
    )
    found = pd.concat([found, table[also]], axis=1).reset_index(drop=True)
    found.attrs["left_out"] = left_out
    return found


def _with_choice(table: pd.DataFrame, situation: list[str]) -> tuple[pd.DataFrame, dict[str, int]]:
    missing = [name for name in situation if name not in table.columns]
    if missing:
        raise DataError(
            f"the model adjusts for {missing[0]}, which these shots have not: judge the log that "
            "the model was fitted to, or one with the same columns"
        )
    reasons = {
        "serve": (table["stroke"] == "serve").to_numpy(),
        "choice neither charted nor derivable": table["choice"].isna().to_numpy(),
        "contact not charted": table["family"].isna().to_numpy(),
        "gap not charted": table["gap_m"].isna().to_numpy(),
    }
    first = np.select(list(reasons.values()), range(1, len(reasons) + 1), 0)
    counts = np.bincount(first, minlength=len(reasons) + 1)[1:]
    left_out = {name: int(n) for name, n in zip(reasons, counts, strict=True) if n}
    if (first == 0).any():
        return table[first == 0], left_out
    why = "; ".join(f"{reason}: {n}" for reason, n in left_out.items()) or "the log is empty"
    raise DataError(f"no shot has both a choice and a gap ({why}); chart the gap and the choice")


def _calls(
    table: pd.DataFrame, model: TightnessModel, level: float
) -> tuple[Array, dict[str, Array]]:
    """What each ball is against its own threshold, and that threshold."""
    levels, of_shot = situations_of(model, table)
    call = np.full(len(table), UNKNOWN)
    status = np.full(len(table), CALLS[UNKNOWN], dtype=object)
    ends = {name: np.full(len(table), np.nan) for name in ("threshold_m", "low_m", "high_m")}
    key = ["player", "side", "family"]
    for number, situation in enumerate(levels):
        at = np.flatnonzero(of_shot == number)
        some = table.iloc[at]
        thresholds = model.thresholds(level, situation or None)
        call[at] = ball_calls(some, thresholds)
        found = thresholds.set_index(key).reindex(pd.MultiIndex.from_frame(some[key].astype(str)))
        status[at] = found["status"].fillna("not known yet").to_numpy(dtype=object)
        for name, values in ends.items():
            values[at] = found[name].to_numpy(dtype=float)
    return call, {"status": status, **ends}
