"""Attacks that should have waited: played on a ball tighter than the player's own threshold."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Floats, Ints
from sidewall.combinations.combination import Combination
from sidewall.combinations.effect import (
    NOT_KNOWN,
    StateChoice,
    after_lead_up,
    as_moments,
    state_codes,
)
from sidewall.combinations.effect import comparison_row as compare
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.features.rates import clustered_rate
from sidewall.models.answers import ALWAYS_ATTACK, ALWAYS_RESET, CROSSES
from sidewall.rallies.states import BallStates, StateRule

_ENDS: Final = ["threshold_low_m", "threshold_high_m"]
_NEEDED: Final = ("player", "side", "family", "status", "threshold_m", *_ENDS)
TIGHT, CLOSE, LOOSE, UNKNOWN = 0, 1, 2, 3
#: Answers about a ball, in the order of the codes.
CALLS: Final = ("tight", "too close to call", "loose", "threshold not known")


def ball_calls(table: pd.DataFrame, thresholds: pd.DataFrame) -> Ints:
    """Call every ball of a feature table tight or loose against the striker's own threshold, (n,).

    Positions in `CALLS`. Tight below the lower end of the threshold's confidence set, loose above
    its upper end, too close to call between them; where the threshold is not known, an end that
    is known still tells the balls beyond it. -1 without a gap.
    """
    missing = [name for name in _NEEDED if name not in thresholds.columns]
    if missing:
        raise DataError(
            f"The table of thresholds has no column {', '.join(missing)}; give what "
            "TightnessModel.thresholds() returns."
        )
    status, low, high = _ends(table, thresholds)
    gap = table["gap_m"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore"):
        call = np.select([gap < low, gap > high], [TIGHT, LOOSE], UNKNOWN)
    call = np.where((call == UNKNOWN) & (status == CROSSES), CLOSE, call)
    call = np.where(status == ALWAYS_ATTACK, LOOSE, call)
    call = np.where(status == ALWAYS_RESET, TIGHT, call)
    return np.where(np.isnan(gap), -1, call).astype(np.int64)


def _ends(
    table: pd.DataFrame, thresholds: pd.DataFrame
) -> tuple[NDArray[np.object_], Floats, Floats]:
    """Status and ends of the threshold that goes with each shot."""
    key = ["player", "side", "family"]
    families = set(thresholds["family"].astype(str))
    if not families & {"ground", "volley"}:
        key = key[:2]  # strokes of all kinds taken together
    known = thresholds.assign(**{name: thresholds[name].astype(str) for name in key})
    known = known.drop_duplicates(key).set_index(key)[["status", *_ENDS]]
    at = pd.MultiIndex.from_frame(table[key].astype(str))
    found = known.reindex(at)
    status = found["status"].fillna(NOT_KNOWN).to_numpy(dtype=object)
    low, high = found[_ENDS].to_numpy(float).T
    return status, low, high


def attacks_that_should_have_waited(
    shots: pd.DataFrame,
    thresholds: pd.DataFrame,
    combination: Combination | None = None,
    state: StateRule | None = None,
    permutations: int = 999,
    level: float = 0.95,
    seed: int | np.random.Generator = 0,
) -> pd.DataFrame:
    """How often the attack of a combination came too early, and what that cost.

    Looked at are the moments after the lead-up of a combination (a length and a reply, by
    default) at which the player attacked or reset. An attack on a ball below the player's
    own threshold should have waited. What it cost: among tight balls after the lead-up, how
    much less often the rally was won when the player attacked than when the player reset, in
    the same state of the rally (Mantel-Haenszel, as in :meth:`Combination.effect`).

    Parameters
    ----------
    shots : DataFrame
        Whole rallies.
    thresholds : DataFrame
        From ``TightnessModel.thresholds()``.
    combination : Combination, optional
        Its lead-up is used, whatever its decisive step asks; "length then volley" by default.
    state : StateRule, optional
        `sidewall.BallStates` by default: more bands than for other effects, since tight
        balls are to be compared with each other.
    permutations, level, seed
        As in :meth:`Combination.effect`.

    Returns
    -------
    DataFrame
        All players together (``player`` missing), then a row each: ``attacks``; of these
        ``should_have_waited``, ``too_close_to_call``, ``loose``, ``threshold_not_known``;
        ``share`` of should-have-waited among those called tight or loose, with ``share_low``
        and ``share_high``; ``tight_resets`` to compare with; ``status`` (costs, gains, not
        known yet, too few), ``difference`` in rallies won (attacked minus reset) with
        ``difference_low``, ``difference_high`` and ``p``; ``points_a_game`` that these
        attacks gained (a cost is negative) with ``points_a_game_low`` and
        ``points_a_game_high``.

    Raises
    ------
    DataError
        If choice is not charted, or the table of thresholds is not one.
    """
    combination = combination or Combination.built_in("length then volley")
    columns = ShotColumns(shots)
    if not columns.tells("choice"):
        raise DataError(
            "The log has no choice (attack or reset): chart it, or give read_shots a choice table."
        )
    row = after_lead_up(columns, combination.steps, combination.decisive)
    table = columns.features
    choice = table["choice"].to_numpy(dtype=object)[row]
    call = ball_calls(table.iloc[row], thresholds)
    ball = (call >= 0) & ((choice == "attack") | (choice == "reset"))
    row, call, attack = row[ball], call[ball], (choice == "attack")[ball]
    how = StateChoice(state, "all", permutations, level, np.random.default_rng(seed))
    states = state_codes(columns, state or BallStates())
    rows = []
    everyone: list[int | None] = [None, *range(len(columns.names))]
    for player in everyone:
        mine = np.ones(len(row), bool) if player is None else columns.player[row] == player
        tight = mine & (call == TIGHT)
        moments = as_moments(columns, row[tight], attack[tight], states, False)
        effect = compare(columns, moments, player, how)
        rows.append(
            {
                "player": None if player is None else str(columns.names[player]),
                **_shares(columns, row[mine & attack], call[mine & attack], level),
                "tight_resets": int((tight & ~attack).sum()),
                **{name: effect[name] for name in ("status", "p")},
                **{
                    name + end: effect[name + end]
                    for name in ("difference", "points_a_game")
                    for end in ("", "_low", "_high")
                },
            }
        )
    return pd.DataFrame(rows)


def _shares(columns: ShotColumns, row: Ints, call: Ints, level: float) -> dict[str, object]:
    clear = np.where(call == TIGHT, 1.0, np.where(call == LOOSE, 0.0, np.nan))
    group = np.zeros(len(row), dtype=np.int64)
    rate = clustered_rate(clear, columns.runs.of_shot[row], group, 1, level)
    counts = np.bincount(call, minlength=len(CALLS))
    return {
        "attacks": len(row),
        "should_have_waited": int(counts[TIGHT]),
        "too_close_to_call": int(counts[CLOSE]),
        "loose": int(counts[LOOSE]),
        "threshold_not_known": int(counts[UNKNOWN]),
        "share": rate.rate[0],
        "share_low": rate.low[0],
        "share_high": rate.high[0],
    }
