"""Draws of the points a game that every player would gain by every item."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.decisions.choice_worth import ChoiceWorth
from sidewall.worklist.ladder import Ladder
from sidewall.worklist.measures import Measure
from sidewall.worklist.standing import Standing, standing

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


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

    Attributes
    ----------
    item, target : str
    points : ndarray, shape (draws, players)
        Rallies won more a game; missing where not known.
    standing : Standing
    now, goal : ndarray, shape (players,)
        In 100 such shots: points against the ladder's average, or how many there are.
    share : bool
        Whether `now` and `goal` are shares.
    row, loss : ndarray, shape (m,)
        The shots that the item rests on, and what each gave against expectation.
    why : str
        Why it is not known, where it is known for nobody.
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

    Parameters
    ----------
    ladder : Ladder
    one : Measure
    other : Standing or None
        Of the player's other side, which is the target on a ladder of fewer than four.
    rng : numpy.random.Generator
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
    points = own.a_game * worth * (goal - own.drawn)
    players = np.arange(len(ladder.names))
    base = _means(ladder, one.row, one.expected) if one.share else np.zeros(len(players))
    now, at = (
        100.0 * np.abs(base + _mean(drawn)) if one.share else 100.0 * (base + _mean(drawn))
        for drawn in (own.drawn, np.broadcast_to(goal, own.drawn.shape))
    )
    loss = one.worth * (one.value - one.expected)
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
    coefficients and of the rallies. Which shots they are is settled once, by the confidence
    sets.

    Parameters
    ----------
    ladder : Ladder
    judged : DataFrame
        From `decisions` on the ladder's own shots, with ``row``.
    model : TightnessModel
    target : {"quartile", "half"}
    rng : numpy.random.Generator
    """
    worth = ChoiceWorth(model, judged)
    which = rng.integers(0, model.posterior_.n_draws, len(ladder.weights))
    row = judged["row"].to_numpy()
    code = judged["decision"].astype(str).to_numpy()
    told = np.flatnonzero(code != "not known yet")
    points = worth.mean
    found = []
    for item, word in (("forced", "forced"), ("passed_up", "passed up")):
        mine = np.flatnonzero(code == word)
        # a standing for the number of shots judged, then its values are replaced by costs
        nothing = np.zeros((len(ladder.weights), len(ladder.names)))
        base = standing(ladder, row[told], nothing[0], nothing, 1.0, rng)
        raw, drawn = _costs(ladder, row[mine], points[mine], worth.drawn(mine, which))
        known, n = base.known, base.n
        # not drawn toward the others: the curves' coefficients are already
        with np.errstate(invalid="ignore", divide="ignore"):
            each = np.where(known, drawn / (base.a_game * ladder.games), np.nan)
            own = Standing(known, n, base.rallies, raw / n, each, base.a_game)
        goal, words, why = upper_quartile(each, known), QUARTILE, ""
        if target == "half" or np.isnan(goal).all():
            goal, words = each / 2.0, HALF[item]
        gain = own.a_game * (goal - each)
        at = np.broadcast_to(goal, each.shape)
        counts = np.bincount(ladder.player[row[mine]], minlength=len(ladder.names))
        notes = {
            k: f"{counts[k]:,} such shots among {n[k]:,} that could be judged"
            for k in range(len(ladder.names))
        }
        found.append(
            Gain(item, words, gain, own, 100 * _mean(each), 100 * _mean(at), False,
                 row[mine], points[mine], why, notes)
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
