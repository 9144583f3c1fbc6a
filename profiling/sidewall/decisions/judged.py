"""Every attack and reset judged by the striker's own curves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.decisions.choice_worth import ChoiceWorth
from sidewall.errors import DataError
from sidewall.features.coded import as_category
from sidewall.features.shots import with_features
from sidewall.models.answers import LEAST_OWN
from sidewall.models.counted import ALL_STROKES

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
#: A choice is called right or wrong where this share of the draws says so: 4 times in 5.
SURE: Final = 0.8
_KEPT: Final = (
    *("match", "game", "rally", "shot", "player", "opponent", "rally_id"),
    *("side", "family", "stroke", "direction", "choice", "balance"),
)
_ALSO: Final = (
    *("depth", "lane", "wall", "own_points", "opponent_points", "own_games", "opponent_games"),
    *("is_server", "won", "ending", "t_s", "line"),
)


def decisions(shots: pd.DataFrame, model: TightnessModel, level: float = 0.95) -> pd.DataFrame:
    """Judge every shot that has a choice and a gap by its striker's own curves.

    For the ball as it was (gap, side, contact and whatever is charted of the situation) the
    model's draws say how often attacking is the better choice. Where at least 4 in 5 say so
    the ball is loose for this player, where at most 1 in 5 do it is tight; between them
    nobody can say.

    Parameters
    ----------
    shots : DataFrame
        Whole rallies, from `sidewall.read_shots` or `sidewall.shot_features`.
    model : TightnessModel
        Fitted, as a rule by value: it is surer and judges more balls.
    level : float, default 0.95
        Of the intervals.

    Returns
    -------
    DataFrame
        One row a shot, in the order of play: the rally's keys, players, side, family, stroke,
        choice, places and score before the rally; ``line`` of the log and ``t_s`` where there
        are any; ``gap_m``; the threshold of the player, side and family as ``status``,
        ``threshold_m``, ``low_m``, ``high_m``; and

        - ``decision``: *attacked loose*, *reset tight*, *forced* (attacked a tight ball),
          *passed up* (reset a loose one), *too close to call*, *not known yet*;
        - ``p_right``: the share of draws in which the choice that was made is the better;
        - ``points``: the player's chance of winning the rally with the choice that was made,
          minus that with the other choice, with ``points_low`` and ``points_high`` (one shot
          at a time): above 0 it brought, below 0 it cost. Missing where the decision is not
          known yet.

        ``attrs["left_out"]`` counts, by reason, shots that cannot be judged.

    Raises
    ------
    DataError
        If a situation column of the model is missing, or no shot has a choice and a gap.
    NotFittedError
        If the model is not fitted.
    """
    model.need_fit()
    table, left_out = _with_choice(with_features(shots), list(model.situation_))
    if model.families_ == (ALL_STROKES,):
        table = table.assign(family=ALL_STROKES)
    worth = ChoiceWorth(model, table, level)
    known = _thresholds(table, model, level)
    attack = (table["choice"] == "attack").to_numpy()
    told = ~np.isnan(worth.mean) & known.pop("enough")
    code = np.select(
        [
            ~told,
            (worth.p_right < SURE) & (worth.p_right > 1.0 - SURE),
            attack & (worth.p_right >= SURE),
            ~attack & (worth.p_right >= SURE),
            attack,
        ],
        [5, 4, 0, 1, 2],
        3,
    )
    points, low, high = (
        np.where(told, part, np.nan) for part in (worth.mean, worth.low, worth.high)
    )
    kept = [name for name in _KEPT if name in table.columns]
    also = [name for name in _ALSO if name in table.columns]
    kept += [name for name in model.situation_ if name not in (*kept, *also)]
    found = table[kept].assign(
        gap_m=table["gap_m"],
        **known,
        decision=as_category(code.astype(np.int64), DECISIONS),
        p_right=np.where(told, worth.p_right, np.nan),
        points=points,
        points_low=low,
        points_high=high,
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


def _thresholds(table: pd.DataFrame, model: TightnessModel, level: float) -> dict[str, Array]:
    """The threshold of every ball's player and cell, and whether there is enough of the player."""
    answers = model.thresholds(level).set_index(["player", "side", "family"])
    at = pd.MultiIndex.from_frame(table[["player", "side", "family"]].astype(str))
    found = answers.reindex(at)
    enough = found[["n_attack", "n_reset"]].min(axis=1).fillna(0) >= LEAST_OWN
    columns: dict[str, Array] = {
        "status": found["status"].fillna("not known yet").to_numpy(dtype=object),
        "enough": enough.to_numpy(),
    }
    for name in ("threshold_m", "low_m", "high_m"):
        columns[name] = found[name].to_numpy(dtype=float)
    return columns
