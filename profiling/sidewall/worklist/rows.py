"""One player's rows of the work list."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.worklist.drills import drill_for
from sidewall.worklist.gains import Gain
from sidewall.worklist.items import item_words
from sidewall.worklist.match_gain import match_gain
from sidewall.worklist.standing import LEAST_RALLIES, LEAST_SHOTS
from sidewall.worklist.thresholds import threshold_columns

if TYPE_CHECKING:
    from sidewall.worklist.worklist import WorkList


WORTH: Final = "worth training"
MAY_BE_NOTHING: Final = "may be nothing"
TOO_SMALL: Final = "too small to matter"
NOT_KNOWN: Final = "not known yet"

_POINTS: Final = "points in 100 shots against the ladder"
_COST: Final = "points in 100 judged shots"
_SHARE: Final = "in 100 shots"


def list_of_player(works: WorkList, k: int) -> pd.DataFrame:
    """The table behind :meth:`WorkList.table`."""
    name, ladder = works.players_[k], works.ladder_
    gains = works._gains
    drawn = np.column_stack([gain.points[:, k] for gain in gains.values()])
    effort = np.array([works.efforts_.of(name, item) for item in gains])
    known = ~np.isnan(drawn).any(axis=0)
    share = ladder.won[k] / ladder.decided[k] if ladder.decided[k] else np.nan
    a_game = ladder.decided[k] / ladder.games[k] if ladder.games[k] else np.nan
    tails = [0.5 - works.level / 2.0, 0.5 + works.level / 2.0]
    mean, ends = drawn.mean(axis=0), np.quantile(drawn, tails, axis=0)
    match = np.full((3, len(effort)), np.nan)
    if known.any() and np.isfinite(share):
        each = np.vstack([mean, ends])[:, known]
        match[:, known] = match_gain(works.match_, share, a_game, each)
    first = _first_in(drawn / effort, known)
    rows = []
    for j, (item, gain) in enumerate(gains.items()):
        words = item_words(item)
        status, why = _status(gain, k, bool(known[j]), ends[:, j], works.useful)
        own = gain.standing
        rows.append(
            {
                "item": item,
                "title": words.title,
                "target": gain.target,
                "points_per_game": mean[j],
                "points_per_game_low": ends[0, j],
                "points_per_game_high": ends[1, j],
                "match_win": match[0, j],
                "match_win_low": match[1, j],
                "match_win_high": match[2, j],
                "share": share,
                "effort": effort[j],
                "effort_assumed": works.efforts_.is_assumed(name, item),
                "gain_per_effort": mean[j] / effort[j],
                "first_in": first[j],
                "status": status,
                "why": why,
                "n": int(own.n[k]),
                "rallies": int(own.rallies[k]),
                "counted": words.counted,
                "a_game": float(own.n[k] / ladder.games[k]) if ladder.games[k] else np.nan,
                "now": gain.now[k],
                "goal": gain.goal[k],
                "unit": _unit(gain),
                **threshold_columns(works.thresholds_, name, item),
                "drill": drill_for(item).name,
            }
        )
    table = pd.DataFrame(rows)
    order = np.lexsort((-table["n"], -table["gain_per_effort"].fillna(-np.inf)))
    table = table.iloc[order].reset_index(drop=True)
    table.insert(0, "rank", np.arange(1, len(table) + 1))
    return table


def _unit(gain: Gain) -> str:
    if gain.item in ("forced", "passed_up"):
        return _COST
    return _SHARE if gain.share else _POINTS


def _first_in(per_effort: Array, known: Array) -> Array:
    """Share of the draws in which each item comes first, among those that are known."""
    first = np.full(per_effort.shape[1], np.nan)
    if known.any():
        best = per_effort[:, known].argmax(axis=1)
        first[known] = np.bincount(best, minlength=int(known.sum())) / len(per_effort)
    return first


def _status(gain: Gain, k: int, known: bool, ends: Array, useful: float) -> tuple[str, str]:
    note = gain.notes.get(k, "")
    if not known:
        own = gain.standing
        if own.known[k]:
            return NOT_KNOWN, gain.why or "too few shots on the other side to compare with"
        return NOT_KNOWN, (
            f"{own.n[k]} shots in {own.rallies[k]} rallies; it takes {LEAST_SHOTS} in "
            f"{LEAST_RALLIES}"
        )
    low, high = ends
    if high < useful:
        return TOO_SMALL, note
    return (WORTH if low > 0.0 else MAY_BE_NOTHING), note
