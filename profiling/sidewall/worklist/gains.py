"""Measures of the things that can be trained, and the points a game that each would bring.

Every measure ends in the same unit: the player's chance of winning the rally, shot by shot,
all else as it was. A value measure takes the chance that the shot left behind, between
average players of the ladder, so that nothing but this shot is judged. A share measure takes
how often something happens, times what it is worth when it does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.combinations.combination import BUILT_IN
from sidewall.combinations.effect import as_moments, decisive_moments, state_codes
from sidewall.combinations.stratified import mantel_haenszel
from sidewall.decisions.judged import ChoiceWorth
from sidewall.errors import DataError
from sidewall.placement.on_target import placed_shots
from sidewall.placement.targets import BACK_STROKES
from sidewall.rallies.intervals import deviation
from sidewall.worklist.items import COMBINATION
from sidewall.worklist.ladder import Ladder, Redrawn, Standing, pooled_draws, standing

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: How far players may differ: an even rally moves to 55 in 100; and a share by as much again.
_POINTS: Final = 0.05
_SHARE: Final = 0.10
_LEVEL: Final = 0.95
_Z: Final = 1.959964


@dataclass(frozen=True)
class Measure:
    """Shots of one kind: `row`, (m,), in the ladder's table, rising.

    `value` and `expected`, (m,): more is better. For a value measure in chances of winning the
    rally, for a `share` measure 0 or 1 (or -1 for what there should be less of). `drawn`, (draws,
    players), are sums of value minus expectation in every redrawn set of rallies, with what a ball
    is worth and what is to be expected found anew in each. `scale` is that of the prior on the
    spread between players; `worth` what one of it is worth in chances of winning the rally, 1 for a
    value measure. Of errors, `in_play` is what such shots of each player bring in play.
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
    in_play: _InPlay | None = None


@dataclass(frozen=True)
class _InPlay:
    """What a player's own shots in play bring him, against what the ladder makes of such balls.

    `ladder` and `more`, (players,), are means: of what is expected between average players, and
    of what the player's shots bring beyond it against whom they were played; `drawn`, (draws,
    players), the latter in every redrawn set of rallies.
    """

    ladder: Array
    more: Array
    drawn: Array

    @classmethod
    def of(cls, ladder: Ladder, row: Array) -> _InPlay:
        """Of these shots."""
        after = ladder.after[row]
        expected, drawn = ladder.against(row, after)
        edge, edge_drawn = ladder.sums(row, ladder.edge[row])
        n, n_drawn = ladder.sums(row, np.ones(len(row)))
        with np.errstate(invalid="ignore", divide="ignore"):
            more = (ladder.sums(row, after.charted - expected)[0] + edge) / n
            drawn = np.where(n_drawn > 0, (drawn + edge_drawn) / n_drawn, more)
        return cls(_means(ladder, row, expected), more, drawn)

    def times(self, known: Array, rng: np.random.Generator) -> Array:
        """How many times what the ladder's bring, (draws, players); 1 where it is not known.

        Who wins little with an attack in play loses little by an error. Drawn toward the ladder.
        """
        known = known & np.isfinite(self.more) & (self.ladder > 0)
        found = np.ones(self.drawn.shape)
        if known.any():
            more = pooled_draws(self.more[known], self.drawn[:, known], _POINTS, rng)
            found[:, known] = np.maximum(1.0 + more / self.ladder[known], 0.0)
        return found


def measures(ladder: Ladder) -> tuple[list[Measure], dict[str, str]]:
    """All measures that the log can tell, and by item why the others cannot be told."""
    found, missing = _values(ladder), dict[str, str]()
    makers: dict[str, Callable[[Ladder], Measure]] = {
        "length_on_target": _length_on_target,
        "repeats": _repeats,
        **{COMBINATION + name: partial(_combination, name) for name in BUILT_IN},
    }
    for item, make in makers.items():
        try:
            found.append(make(ladder))
        except DataError as error:  # the other items can still be told
            missing[item] = str(error)
    missing |= {one.item: "no such shot was charted" for one in found if not len(one.row)}
    return [one for one in found if len(one.row)], missing


def _values(ladder: Ladder) -> list[Measure]:
    use = ladder.struck & ~np.isnan(ladder.after.fixed)
    attack, fault = ladder.of("choice", "attack"), ladder.fault
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
        in_play = _InPlay.of(ladder, row[~fault[row]])
        found.append(Measure(item, row, lost.charted, *ladder.against(row, lost), in_play=in_play))
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


def _combination(name: str, ladder: Ladder) -> Measure:
    """How often a built-in combination is played on."""
    one = BUILT_IN[name].as_charted(ladder.columns.shots)
    found = decisive_moments(ladder.columns, one.steps, one.decisive)
    use = ladder.struck[found.row]
    row, played = found.row[use], found.played_on[use]
    contact = one.steps[one.decisive - 1].decided == {"contact"}
    worth, error = _compared(ladder, row, played, contact)
    value = played.astype(float)
    # not by family and choice, which are part of what the player decides
    shares = ladder.against(row, Redrawn.known(value, len(ladder.weights)), ("side",))
    return Measure(COMBINATION + name, row, value, *shares, _SHARE, worth, error, share=True)


DecisionTarget = Literal["quartile", "half"]

#: A quartile of fewer players would say little more than who they are.
LEAST_PLAYERS: Final = 4

QUARTILE: Final = "to the ladder's upper quartile"
OTHER_SIDE: Final = "to the level of the player's own {side}"
HALF: Final[dict[str, str]] = {
    "forced": "half the forced attacks turned into resets",
    "passed_up": "half the passed-up balls attacked",
}


@dataclass(frozen=True)
class Gain:
    """What all players would gain by one item.

    `points`, (draws, players), are rallies won more a game, missing where not known; `now` and
    `goal`, (players,), in 100 such shots: points against the ladder's average, or how many there
    are where it is a `share`. The item rests on the shots `row`, which lost `loss` against
    expectation, both (m,). `why` it is not known, where it is known for nobody.
    """

    item: str
    target: str
    points: Array
    standing: Standing
    now: Array
    goal: Array
    share: bool
    row: Array
    loss: Array
    why: str = ""
    notes: dict[int, str] = field(default_factory=dict)


def upper_quartile(drawn: Array, known: Array) -> Array:
    """Upper quartile over the players of each draw, shape (draws, 1)."""
    if known.sum() < LEAST_PLAYERS:
        return np.full((len(drawn), 1), np.nan)
    return np.asarray(np.quantile(drawn[:, known], 0.75, axis=1)[:, None])


def measure_gain(
    ladder: Ladder, one: Measure, other: Standing | None, rng: np.random.Generator
) -> Gain:
    """Points a game by one measure.

    `other` is the player's other side, which is the target on a ladder of fewer than four.
    """
    total = ladder.sums(one.row, one.value - one.expected)[0]
    own = standing(ladder, one.row, total, one.drawn, one.scale, rng)
    worth = one.worth + one.worth_error * rng.standard_normal((len(ladder.weights), 1))
    goal, target, why = upper_quartile(own.drawn, own.known), QUARTILE, ""
    if np.isnan(goal).all():
        why = f"the ladder has {int(own.known.sum())} players to compare; {LEAST_PLAYERS} needed"
        if other is not None:
            side = "backhand" if one.item.endswith("forehand") else "forehand"
            goal, target, why = other.drawn, OTHER_SIDE.format(side=side), ""
    times = np.ones(own.drawn.shape)
    if one.in_play is not None:
        times = one.in_play.times(own.known, rng)
    points = own.a_game * worth * times * (goal - own.drawn)
    now, at = (
        100.0 * np.abs(_means(ladder, one.row, one.expected) + _mean(drawn))
        if one.share
        else 100.0 * _mean(times * drawn)
        for drawn in (own.drawn, np.broadcast_to(goal, own.drawn.shape))
    )
    each = one.worth * _mean(times)[ladder.player[one.row]]
    loss = each * (one.value - one.expected)
    return Gain(one.item, target, points, own, now, at, one.share, one.row, loss, why)


def _mean(drawn: Array) -> Array:
    """Mean over the draws, missing where a column is."""
    return np.asarray(drawn.mean(axis=0))


def _means(ladder: Ladder, row: Array, value: Array) -> Array:
    n = ladder.sums(row, np.ones(len(row)))[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        return ladder.sums(row, value)[0] / n


def decision_gains(
    ladder: Ladder,
    judged: pd.DataFrame,
    model: TightnessModel,
    target: DecisionTarget,
    rng: np.random.Generator,
) -> list[Gain]:
    """Points a game by forced attacks, and by loose balls passed up.

    What such decisions cost, over all shots that could be judged, under draws of the curves'
    coefficients and of the rallies. Which shots they are is settled once, by the confidence sets:
    `judged` is from `decisions` on the ladder's own shots, with ``row``.
    """
    row = judged["row"].to_numpy()
    code = judged["decision"].astype(str).to_numpy()
    told = np.flatnonzero(code != "not known yet")
    wrong = np.flatnonzero((code == "forced") | (code == "passed up"))
    worth = ChoiceWorth(model, judged.iloc[wrong], halves=True)
    which = rng.integers(0, worth.n_draws, len(ladder.weights))
    found = []
    for item, word in (("forced", "forced"), ("passed_up", "passed up")):
        at = np.flatnonzero(code[wrong] == word)
        mine, points = wrong[at], worth.mean[at]
        # a standing for the number of shots judged, then its values are replaced by costs
        nothing = np.zeros((len(ladder.weights), len(ladder.names)))
        base = standing(ladder, row[told], nothing[0], nothing, 1.0, rng)
        raw, drawn = _costs(ladder, row[mine], points, worth.drawn(at, which))
        known, n = base.known, base.n
        # not drawn toward the others: the curves' coefficients are already
        with np.errstate(invalid="ignore", divide="ignore"):
            each = np.where(known, drawn / (base.a_game * ladder.games), np.nan)
            own = Standing(known, n, base.rallies, raw / n, each, base.a_game)
        goal, words, why = upper_quartile(each, known), QUARTILE, ""
        if target == "half" or np.isnan(goal).all():
            goal, words = each / 2.0, HALF[item]
        gain = own.a_game * (goal - each)
        counts = np.bincount(ladder.player[row[mine]], minlength=len(ladder.names))
        notes = {
            k: f"{count:,} such shots among {n[k]:,} that could be judged"
            for k, count in enumerate(counts)
        }
        found.append(
            Gain(item, words, gain, own, 100 * _mean(each),
                 100 * _mean(np.broadcast_to(goal, each.shape)), False,
                 row[mine], points, why, notes)
        )  # fmt: skip
    return found


def _costs(ladder: Ladder, row: Array, points: Array, drawn: Array) -> tuple[Array, Array]:
    """Sums of the points by player: estimated, and drawn with the rallies, (draws, players)."""
    players = len(ladder.names)
    raw = np.bincount(ladder.player[row], points, minlength=players)
    weighed = drawn * ladder.weights[:, ladder.rally[row]]
    one_hot = np.zeros((len(row), players))
    one_hot[np.arange(len(row)), ladder.player[row]] = 1.0
    return raw, weighed @ one_hot
