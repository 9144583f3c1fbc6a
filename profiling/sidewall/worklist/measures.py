"""Things that can be trained as measures: which shots, what they gave, what was to expect.

Every measure ends in the same unit: the player's chance of winning the rally, shot by shot,
all else as it was. A value measure takes the chance that the shot left behind, between
average players of the ladder, so that nothing but this shot is judged. A share measure takes
how often something happens, times what it is worth when it does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.combinations.built_in import BUILT_IN
from sidewall.combinations.effect import as_moments, state_codes
from sidewall.combinations.moments import decisive_moments
from sidewall.combinations.stratified import mantel_haenszel
from sidewall.errors import DataError
from sidewall.placement.on_target import placed_shots
from sidewall.placement.targets import BACK_STROKES
from sidewall.worklist.items import COMBINATION
from sidewall.worklist.ladder import Ladder

__all__ = ["Measure", "measures"]

Array = NDArray[Any]

#: How far players may differ, as `prior_scale` of the tightness model: an even rally moves
#: to 55 in 100; and a share by as much again.
_POINTS: Final = 0.05
_SHARE: Final = 0.10
_LEVEL: Final = 0.95
_Z: Final = 1.959964


@dataclass(frozen=True)
class Measure:
    """Shots of one kind.

    Attributes
    ----------
    item : str
    row : ndarray of int, shape (m,)
        Rows of the ladder's table, rising.
    value, expected : ndarray, shape (m,)
        More is better. For a value measure in chances of winning the rally, for a share
        measure 0 or 1 (or -1 for what there should be less of).
    scale : float
        Of the prior on the spread between players.
    worth, worth_error : float
        What one of it is worth in chances of winning the rally; 1 and 0 for a value measure.
    share : bool
    """

    item: str
    row: Array
    value: Array
    expected: Array
    scale: float = _POINTS
    worth: float = 1.0
    worth_error: float = 0.0
    share: bool = False


def measures(ladder: Ladder) -> tuple[list[Measure], dict[str, str]]:
    """All measures that the log can tell, and why the others cannot be told.

    Returns
    -------
    found : list of Measure
    missing : dict of str to str
        By item: the reason.
    """
    found, missing = _values(ladder), {}
    makers: dict[str, Callable[[Ladder], Measure]] = {
        "length_on_target": _length_on_target,
        "repeats": _repeats,
        **{COMBINATION + name: _Combination(name) for name in BUILT_IN},
    }
    for item, make in makers.items():
        try:
            found.append(make(ladder))
        except DataError as error:  # the other items can still be told
            missing[item] = str(error)
    kept = []
    for one in found:
        if len(one.row):
            kept.append(one)
        else:
            missing[one.item] = "no such shot was charted"
    return kept, missing


def _values(ladder: Ladder) -> list[Measure]:
    after = ladder.table["value_after"].to_numpy(dtype=float)
    use = ladder.struck & ~np.isnan(after)
    attack, fault = ladder.attack, ladder.fault
    every = np.flatnonzero(use)
    expected = np.full(len(after), np.nan)
    expected[every] = ladder.expected(every, after[every])
    found = []
    for side in ("forehand", "backhand"):
        mine = use & ladder.of("side", side)
        for name, kind in (("attack", attack), ("volley", ladder.of("family", "volley"))):
            row = np.flatnonzero(mine & kind)
            found.append(Measure(f"{name}_{side}", row, after[row], expected[row]))
    # what an error costs is what the ladder gets from such a shot when it stays in play
    good = np.flatnonzero(use & ~fault)
    kept = np.full(len(after), np.nan)
    kept[good] = ladder.expected(good, after[good])
    for name, kind in (("reset_errors", ~attack), ("attack_errors", attack)):
        row = np.flatnonzero(use & kind)
        lost = np.where(fault[row], -_in_play_worth(ladder, row, after, fault), 0.0)
        found.append(Measure(name, row, lost, ladder.expected(row, lost)))
    answered = ladder.table["shots_left"].to_numpy() > 0
    row = np.flatnonzero(use & ~attack & answered)
    return [*found, Measure("length", row, after[row], ladder.expected(row, after[row]))]


def _in_play_worth(ladder: Ladder, row: Array, after: Array, fault: Array) -> Array:
    """Mean worth of the shots in play of the same side, family and choice, shape (rows,)."""
    some = ladder.table.iloc[row]
    good = pd.Series(np.where(fault[row], np.nan, after[row]), index=some.index)
    keys = [some[name].astype(str) for name in ("side", "family", "choice")]
    return good.groupby(keys).transform("mean").fillna(good.mean()).to_numpy()


def _length_on_target(ladder: Ladder) -> Measure:
    # numbered, so that the shots that have a target can be found again
    placed = placed_shots(ladder.table.assign(_row=np.arange(len(ladder.table))))
    placed = placed[placed["stroke"].isin(BACK_STROKES).to_numpy() & ~placed["fault"].to_numpy()]
    placed = placed[placed["on_target"].notna().to_numpy()]
    row = placed["_row"].to_numpy()
    told = ladder.struck[row] & ladder.table["value_after"].notna().to_numpy()[row]
    row, on = row[told], placed["on_target"].to_numpy()[told]
    if not (0 < on.sum() < len(on)):
        raise DataError("no bounce of a drive or lob was seen both on and off the target")
    after = ladder.table["value_after"].to_numpy(dtype=float)[row]
    worth, error = _worth_of(ladder, row, on, after - ladder.expected(row, after))
    return Measure(
        "length_on_target", row, on, ladder.expected(row, on), _SHARE, worth, error, share=True
    )


def _worth_of(ladder: Ladder, row: Array, on: Array, residual: Array) -> tuple[float, float]:
    """Difference of mean residuals with and without, and its error by redrawn rallies."""
    means = []
    for part in (on == 1.0, on == 0.0):
        total, drawn = ladder.sums(row[part], residual[part])
        n, n_drawn = ladder.sums(row[part], np.ones(int(part.sum())))
        means.append(np.append(total.sum() / n.sum(), drawn.sum(axis=1) / n_drawn.sum(axis=1)))
    difference = means[0] - means[1]
    return float(difference[0]), float(np.nanstd(difference[1:], ddof=1))


def _compared(
    ladder: Ladder, row: Array, kind: Array, contact_decides: bool = False
) -> tuple[float, float]:
    """Rallies won more with the one kind of shot than the other, state by state; its error."""
    columns = ladder.columns
    moments = as_moments(columns, row, kind, state_codes(columns, None, contact_decides), False)
    result = mantel_haenszel(moments, _LEVEL)
    if result.too_few:
        raise DataError(
            f"{int(kind.sum())} and {int((~kind).sum())} such moments are too few to compare"
        )
    return result.difference, result.margin / _Z


def _repeats(ladder: Ladder) -> Measure:
    run = ladder.table["same_reply_run"].to_numpy(dtype=float)
    repeats = ladder.table["repeats_reply"].to_numpy(dtype=float)
    row = np.flatnonzero(ladder.struck & (run >= 2) & ~np.isnan(repeats))
    again = repeats[row] == 1.0
    worth, error = _compared(ladder, row, ~again)
    value = -again.astype(float)
    expected = ladder.expected(row, value, ("side", "family"))
    return Measure("repeats", row, value, expected, _SHARE, worth, error, share=True)


@dataclass(frozen=True)
class _Combination:
    """Makes the measure of a built-in combination: how often it is played on."""

    name: str

    def __call__(self, ladder: Ladder) -> Measure:
        one = BUILT_IN[self.name].as_charted(ladder.columns.shots)
        found = decisive_moments(ladder.columns, one.steps, one.decisive)
        use = ladder.struck[found.row]
        row, played = found.row[use], found.played_on[use]
        contact = one.steps[one.decisive - 1].decided == {"contact"}
        worth, error = _compared(ladder, row, played, contact)
        value = played.astype(float)
        # not by family and choice, which are part of what the player decides
        expected = ladder.expected(row, value, ("side",))
        return Measure(
            COMBINATION + self.name, row, value, expected, _SHARE, worth, error, share=True
        )
