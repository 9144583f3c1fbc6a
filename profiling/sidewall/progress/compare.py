"""What changed in a player's game between two periods, and what the data could not show."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from sidewall.arguments import Table, as_frame, check_kind, check_level, names_of
from sidewall.combinations.many_tests import adjusted
from sidewall.errors import DataError
from sidewall.features.coded import need_columns, struck_by
from sidewall.features.shots import with_features
from sidewall.models.tightness import TightnessModel
from sidewall.progress.measures import (
    attack_rows,
    comfort_rows,
    decision_rows,
    own_change,
    placement_rows,
    threshold_rows,
)
from sidewall.progress.periods import find_periods

BETTER: Final = "better"
WORSE: Final = "worse"
NO_CHANGE: Final = "no change that matters"
NOT_KNOWN: Final = "not known yet"

_POWER: Final = 0.8


def judge(table: pd.DataFrame, level: float) -> pd.DataFrame:
    """Add intervals, p-values, the smallest change that could be shown, and the word.

    The table has ``before``, ``after`` and their difference's standard errors ``before_error``,
    ``after_error``, ``error``; ``least`` and ``most``, the ends of the scale; ``better_when``,
    lower or higher; and ``matters``, the smallest change worth knowing.
    """
    z, power = float(ndtri(0.5 + level / 2.0)), float(ndtri(_POWER))
    found = table.drop(columns=["before_error", "after_error", "error", "least", "most"])
    for name in ("before", "after"):
        half = z * table[f"{name}_error"]
        ends = {"": table[name], "_low": table[name] - half, "_high": table[name] + half}
        for end, values in ends.items():
            found[name + end] = values.clip(table["least"], table["most"])
    error = table["error"].to_numpy(dtype=float)
    change = (table["after"] - table["before"]).to_numpy(dtype=float)
    found["change"] = change
    found["change_low"], found["change_high"] = change - z * error, change + z * error
    found["p"] = np.where(np.isnan(error), np.nan, 2.0 * ndtr(-np.abs(change) / error))
    found["p_holm"] = adjusted(found["p"].to_numpy(), "holm")
    looked = max(int(found["p"].notna().sum()), 1)
    strict = float(ndtri(1.0 - (1.0 - level) / (2.0 * looked)))
    found["smallest_change"] = (z + power) * error
    found["smallest_change_all"] = (strict + power) * error
    shown = (found["p_holm"] <= 1.0 - level + 1e-12).to_numpy()
    rises = (change > 0) == (table["better_when"] == "higher").to_numpy()
    small = np.abs(change) + z * error < table["matters"].to_numpy(dtype=float)
    found["verdict"] = np.select(
        [shown & rises, shown, small], [BETTER, WORSE, NO_CHANGE], NOT_KNOWN
    )
    return found


MEASURES: Final = ("threshold", "attack", "comfort", "on target", "forced", "passed up")
#: The smallest change worth knowing: metres for a threshold, shares for the others.
#: Common practice, no source.
MATTERS: Final[dict[str, float]] = {
    "threshold": 0.15,
    "attack": 0.10,
    "comfort": 0.10,
    "on target": 0.15,
    "forced": 0.20,
    "passed up": 0.20,
}
COLUMNS: Final = (
    *("player", "measure", "side", "family", "unit", "before", "before_low", "before_high"),
    *("after", "after_low", "after_high", "change", "change_low", "change_high"),
    *("verdict", "better_when"),
    *("smallest_change", "smallest_change_all", "matters", "p", "p_holm"),
    *("n_before", "n_after", "rallies_before", "rallies_after", "note"),
)


def compare_periods(
    shots: Table,
    player: str,
    before: Sequence[str] | None = None,
    after: Sequence[str] | None = None,
    *,
    change: dt.date | str | None = None,
    later: Table | None = None,
    model: TightnessModel | None = None,
    measures: Sequence[str] = MEASURES,
    matters: Mapping[str, float] | None = None,
    targets: Any = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Compare two periods of a player.

    Parameters
    ----------
    shots : DataFrame
        The whole ladder's log: the other players' matches tell what is usual.
    player : str
    before, after : sequence of str, optional
        The player's matches of each period.
    change : date or str, optional
        In their place: the first day of the period after, where the log has dates.
    later : DataFrame, optional
        In their place: a second log; the player's matches in it come after.
    model : TightnessModel, optional
        With the options to fit with; a fresh copy is fitted to both periods together.
    measures : sequence of str
        What to compare, of `MEASURES`. Choose before looking: the words allow for as many
        comparisons as are made.
    matters : mapping, optional
        The smallest change worth knowing, by measure; see `MATTERS`.
    targets : sequence of Target, optional
        For the share on target; see :func:`~sidewall.placement.placed_shots`.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        One row a comparison:

        - ``measure``, ``side``, ``family``, ``unit`` (m or share);
        - ``before``, ``after`` and their limits; ``change`` (after minus before) with
          ``change_low`` and ``change_high``, each by itself and not adjusted for the others;
        - ``verdict``: *better* or *worse* where the change holds with all comparisons of the
          table allowed for; *no change that matters* where the whole interval of the change is
          smaller, either way, than what matters; else *not known yet*;
        - ``better_when``: lower or higher;
        - ``smallest_change``: the true change that this amount of data shows four times in
          five, in this comparison alone; ``smallest_change_all``: the same with all
          comparisons allowed for;
        - ``p``, ``p_holm``: of no change, and adjusted (Holm);
        - ``n_before``, ``n_after`` shots in ``rallies_before``, ``rallies_after``;
        - ``note``.

        ``attrs["notes"]`` lists what was left out, and opponents met in one period only.

    Raises
    ------
    DataError
        If the periods cannot be found, see :func:`~sidewall.progress.periods.find_periods`,
        a measure is unknown, or the log has too little for a model.

    See Also
    --------
    plan
    matches_by_date
    plot_progress

    Notes
    -----
    What is compared, in words. *threshold*: the gap from which attacking beats resetting,
    by side and stroke family; a lower one is called better, and the note says whether the
    attack or the reset moved. *attack*: the share of rallies won after an attack, from the
    attacked balls of both periods, by side. *comfort*: how many rallies fewer the weaker
    side wins from the same balls. *on target*: the share of shots on their target, in the
    same mix of targets. *forced*: the share of tight balls that were attacked, *passed up*:
    the share of loose balls that were reset, both against the threshold of the two periods
    together.

    A change is estimated from the player's own shots without shrinkage; see
    `sidewall.progress.measures` for why. The smallest change is ``(z + 0.84)`` standard
    errors, z = 1.96 at level 0.95: power 0.8 of a two-sided test (common to all textbooks of
    trials). The error is that of the data at hand.

    A change of opponents, court or ball between the periods is a change too, and no
    comparison of two periods can tell it from training.

    How often a table says *better* or *worse* where nothing changed is counted by
    ``tests/studies/progress_false_alarms.py``.

    Examples
    --------
    >>> first, later = shots.loc[shots["player"] == "Rowan", "match"].unique()
    >>> table = sw.compare_periods(shots, "Rowan", [first], [later], measures=["on target"])
    >>> table.columns.to_list()[:4]
    ['player', 'measure', 'side', 'family']
    """
    shots = as_frame(shots)
    later = None if later is None else as_frame(later, "later")
    check_level(level)
    need_columns(shots, ("match", "player", "opponent"))
    measures = names_of(measures, "measures")
    strange = [name for name in measures if name not in MEASURES]
    if strange or not measures:
        raise DataError(
            f"measures: {', '.join(map(str, strange)) or 'none'} given; choose from "
            f"{', '.join(MEASURES)}"
        )
    fresh = _fresh(model)
    periods = find_periods(shots, player, before, after, later, change)
    table = with_features(periods.shots)
    fitted = None
    if set(measures) - {"on target"}:
        fitted = fresh.fit(table)
    result = compared(table, fitted, player, periods.after, measures, matters, targets, level)
    result.attrs["notes"] = [*periods.notes, *result.attrs["notes"]]
    return result


def compared(
    table: pd.DataFrame,
    fitted: TightnessModel | None,
    player: str,
    after: Sequence[str],
    measures: Sequence[str] = MEASURES,
    worth: Mapping[str, float] | None = None,
    targets: Any = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Compare a player's matches named in `after` with all the player's others, in a feature table.

    The model is fitted to it, and not needed for the share on target alone; all else is as in
    `compare_periods`.
    """
    rows: list[dict[str, Any]] = []
    notes: list[str] = []
    if fitted is not None:
        notes += fitted.notes_
        when = fitted.used_["match"].astype(str).isin(list(after)).to_numpy()
        _need_both(fitted, player, when)
        if {"threshold", "attack", "comfort"} & set(measures):
            found = own_change(fitted, player, when, table)
            rows += threshold_rows(fitted, player, found, when, level)
            rows += attack_rows(fitted, player, found, when)
            rows += comfort_rows(fitted, player, found, when)
        if {"forced", "passed up"} & set(measures):
            rows += decision_rows(table, fitted, player, list(after), level)
    if "on target" in measures:
        placed = placement_rows(table, player, list(after), targets)
        rows += placed
        notes += [] if placed else ["share on target: the log has no bounces"]
    frame = pd.DataFrame([row for row in rows if row["measure"] in measures])
    if not len(frame):
        raise DataError("nothing can be compared: the log has no bounces (bounce_x, bounce_y)")
    order = frame["measure"].map({name: k for k, name in enumerate(MEASURES)})
    frame = frame.iloc[np.argsort(order.to_numpy(), kind="stable")].reset_index(drop=True)
    frame["matters"] = frame["measure"].map({**MATTERS, **(worth or {})})
    result = judge(frame, level).assign(player=player)[list(COLUMNS)].copy()
    result.attrs["notes"] = notes
    return result


def _fresh(model: TightnessModel | None) -> TightnessModel:
    if model is None:
        return TightnessModel()
    check_kind(model, "TightnessModel", "model", "one, sw.TightnessModel()")
    options = ("outcome", "horizon", "situation", "strokes", "draws", "seed")
    return TightnessModel(**{name: getattr(model, name) for name in options})


def _need_both(model: TightnessModel, player: str, when: np.ndarray) -> None:
    own = struck_by(model.used_, player)
    for name, some in (("before", own & ~when), ("after", own & when)):
        if not some.any():
            raise DataError(
                f"{player} has no shot {name} that the model can use: chart choice, contact and gap"
            )
