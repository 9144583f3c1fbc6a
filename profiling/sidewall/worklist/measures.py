"""Things that can be trained as measures: which shots, what they gave, what was to expect.

Every measure ends in the same unit: the player's chance of winning the rally, shot by shot,
all else as it was. A value measure takes the chance that the shot left behind, between
average players of the ladder, so that nothing but this shot is judged. A share measure takes
how often something happens, times what it is worth when it does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from sidewall.arguments import Array
from sidewall.combinations.combination import BUILT_IN
from sidewall.combinations.effect import as_moments, decisive_moments, state_codes
from sidewall.combinations.stratified import mantel_haenszel
from sidewall.errors import DataError
from sidewall.placement.on_target import placed_shots
from sidewall.placement.targets import BACK_STROKES
from sidewall.rallies.intervals import deviation
from sidewall.worklist.items import COMBINATION
from sidewall.worklist.ladder import Ladder, Redrawn

#: How far players may differ: an even rally moves to 55 in 100; and a share by as much again.
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
    drawn : ndarray, shape (draws, players)
        Sums of value minus expectation in every redrawn set of rallies, with what a ball is
        worth and what is to be expected found anew in each.
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
    drawn: Array
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
    use = ladder.struck & ~np.isnan(ladder.after.fixed)
    attack, fault = ladder.attack, ladder.fault
    answered = ladder.table["shots_left"].to_numpy() > 0
    kinds = {
        f"{name}_{side}": use & ladder.of("side", side) & kind
        for side in ("forehand", "backhand")
        for name, kind in (("attack", attack), ("volley", ladder.of("family", "volley")))
    }
    kinds["length"] = use & ~attack & answered
    found = []
    for item, kind in kinds.items():
        row = np.flatnonzero(kind)
        after = ladder.after[row]
        found.append(Measure(item, row, after.charted, *ladder.against(row, after)))
    for item, kind in (("reset_errors", ~attack), ("attack_errors", attack)):
        row = np.flatnonzero(use & kind)
        lost = _lost_by_faults(ladder, row, fault[row])
        found.append(Measure(item, row, lost.charted, *ladder.against(row, lost)))
    return found


def _lost_by_faults(ladder: Ladder, row: Array, fault: Array) -> Redrawn:
    """What each error cost: what such shots bring when they stay in play; nothing else does.

    Such shots are those of the same side, family and choice.
    """
    from scipy import sparse  # noqa: PLC0415 - slow to load

    some = ladder.table.iloc[row]
    kind = some.groupby(["side", "family", "choice"], observed=True).ngroup().to_numpy()
    kinds = int(kind.max(initial=-1)) + 1
    good = row[~fault]
    after, rally = ladder.after[good], ladder.rally[good]
    every = np.arange(len(good))
    mean, drawn = np.zeros(kinds), np.zeros((len(ladder.weights), kinds))
    whole = float(after.charted.mean()) if len(good) else 0.0
    of_rally = sparse.csr_matrix(
        (np.ones(len(good)), (rally, every)), (ladder.weights.shape[1], len(good))
    )
    for k in range(kinds):
        mine = kind[~fault] == k
        n = np.asarray(ladder.weights @ of_rally[:, mine].sum(axis=1)).ravel()
        mean[k] = after.charted[mine].mean() if mine.any() else whole
        total = ladder.weights @ (of_rally[:, mine] @ after.fixed[mine])
        by_ball = np.asarray(ladder.weights @ (of_rally[:, mine] @ after.basis[mine]).tocsr())
        total = total + np.einsum("bq,bq->b", by_ball, after.drawn)
        drawn[:, k] = np.divide(total, n, out=np.full(len(n), mean[k]), where=n > 0)
    at = np.flatnonzero(fault)
    basis = sparse.csr_matrix((-np.ones(len(at)), (at, kind[at])), shape=(len(row), kinds))
    return Redrawn(np.zeros(len(row)), basis, mean, drawn)


def _length_on_target(ladder: Ladder) -> Measure:
    # numbered, so that the shots that have a target can be found again
    placed = placed_shots(ladder.table.assign(_row=np.arange(len(ladder.table))))
    placed = placed[placed["stroke"].isin(BACK_STROKES).to_numpy() & ~placed["fault"].to_numpy()]
    placed = placed[placed["on_target"].notna().to_numpy()]
    row = placed["_row"].to_numpy()
    told = ladder.struck[row] & ~np.isnan(ladder.after.fixed[row])
    row, on = row[told], placed["on_target"].to_numpy(dtype=float)[told]
    if not (0 < on.sum() < len(on)):
        raise DataError("no bounce of a drive or lob was seen both on and off the target")
    worth, error = _worth_of(ladder, row, on == 1.0)
    shares = ladder.against(row, Redrawn.known(on, len(ladder.weights)))
    return Measure("length_on_target", row, on, *shares, _SHARE, worth, error, share=True)


def _worth_of(ladder: Ladder, row: Array, on: Array) -> tuple[float, float]:
    """Difference of mean residuals with and without, and its error by redrawn rallies."""
    after = ladder.after[row]
    expected, drawn = ladder.against(row, after, cell=on.astype(np.int64))
    residual = after.charted - expected
    n = [ladder.sums(row[part], np.ones(int(part.sum())))[1].sum(axis=1) for part in (on, ~on)]
    with np.errstate(invalid="ignore", divide="ignore"):
        difference = drawn[:, 1] / n[0] - drawn[:, 0] / n[1]
    return float(residual[on].mean() - residual[~on].mean()), float(deviation(difference))


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
    shares = ladder.against(row, Redrawn.known(value, len(ladder.weights)), ("side", "family"))
    return Measure("repeats", row, value, *shares, _SHARE, worth, error, share=True)


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
        shares = ladder.against(row, Redrawn.known(value, len(ladder.weights)), ("side",))
        return Measure(
            COMBINATION + self.name, row, value, *shares, _SHARE, worth, error, share=True
        )
