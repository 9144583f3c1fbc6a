"""Answers read off one set of draws: thresholds, the rule, comfort, the shot to play.

Since all answers come from the same draws, they cannot contradict one another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import wraps
from inspect import signature
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sidewall.arguments import (
    WIDTH_M,
    Bools,
    Floats,
    check_gaps_m,
    check_lengths_m,
    check_level,
    check_words,
)
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.log.vocabulary import CHOICES, SIDES, STROKES, VOCABULARY
from sidewall.models.counted import ALL_STROKES, LEAST_IN_CELL
from sidewall.models.posterior import Posterior, at_gaps, crossings

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

_Table = TypeVar("_Table", bound=Callable[..., pd.DataFrame])

#: Words of every column in the order in which tables list them.
WORDS: Final = {"depth": DEPTHS, **VOCABULARY}

CROSSES: Final = "crosses"
ALWAYS_ATTACK: Final = "attack at any gap"
ALWAYS_RESET: Final = "reset at any gap"
NOT_KNOWN: Final = "not known yet"

#: Own attacks and own resets that an answer about a player takes.
LEAST_OWN: Final = 5
#: The share of draws that must say attack for the rule to say so: a little looser than the
#: even chance, since better play later raises what the own ball is worth.
RULE_SHARE: Final = 0.65
#: With fewer players than this the draws are weighed by a weak prior on the club's threshold.
FEW_PLAYERS: Final = 4


def made_once(table: _Table) -> _Table:
    """A table that is asked for twice in the same words is made once; each gets a copy."""
    names = signature(table)

    @wraps(table)
    def kept(self: TightnessModel, *args: Any, **named: Any) -> pd.DataFrame:
        asked = names.bind(self, *args, **named)
        asked.apply_defaults()
        check_level(asked.arguments["level"])
        self.need_fit()
        key = table.__name__, *list(asked.arguments.values())[1:]
        try:
            found = self._tables.get(key)
        except TypeError:  # lists and arrays are no words
            return table(self, *args, **named)
        if found is None:
            found = self._tables[key] = table(self, *args, **named)
        return found.copy()

    return kept  # type: ignore[return-value] # of the same arguments


@dataclass(frozen=True)
class Asked:
    """One combination of levels of what an answer is given by."""

    told: dict[str, str]
    where: Bools | None
    stroke: str | None


def asked(posterior: Posterior, by: Sequence[str]) -> list[Asked]:
    """Every combination of levels that `by` asks for; one that asks for nothing without `by`."""
    model, table = posterior.model, posterior.mix.table
    found = [Asked({}, None, None)]
    for name in by:
        if name == "stroke":
            strokes = model.curves_["attack"].columns.strokes
            found = [replace(a, told={**a.told, name: s}, stroke=s) for a in found for s in strokes]
            continue
        masks = {level: (table[name] == level).to_numpy() for level in model.situation_[name]}
        found = [
            replace(a, told={**a.told, name: level}, where=m if a.where is None else a.where & m)
            for a in found
            for level, m in masks.items()
        ]
    return found


@dataclass(frozen=True)
class Threshold:
    """An answer about one player and cell; its `status` crosses, or is another of `thresholds`.

    `gap_m` is the median of the draws, NaN unless it crosses, between `low_m` and `high_m`. When
    the answer is not known yet, one end may be: below `low_m` resetting is better, above `high_m`
    attacking is.
    """

    status: str
    gap_m: float = float("nan")
    low_m: float = float("nan")
    high_m: float = float("nan")


def threshold_of(crossing: Floats, level: float) -> Threshold:
    """The answer that draws of a crossing give."""
    ordered = np.sort(crossing)
    n = len(ordered)
    cut = 0.5 * (1.0 - level)
    low, high = ordered[int(np.floor(cut * (n - 1)))], ordered[int(np.ceil((1 - cut) * (n - 1)))]
    if high == -np.inf:
        return Threshold(ALWAYS_ATTACK)
    if low == np.inf:
        return Threshold(ALWAYS_RESET)
    ends = float(low) if np.isfinite(low) else np.nan, float(high) if np.isfinite(high) else np.nan
    if np.isnan(ends).any():
        return Threshold(NOT_KNOWN, low_m=ends[0], high_m=ends[1])
    return Threshold(CROSSES, float(np.median(crossing)), *ends)


@dataclass(frozen=True)
class Rule:
    """The gap to play by, and what it may cost.

    Attack from `gap_m` on: minus infinity at any gap, infinity at none. `cost` is the rallies in
    100 such balls that knowing the truth would save, expected, with its upper limit; NaN without a
    ball.
    """

    gap_m: float
    cost: float
    cost_at_most: float


def rule_of(
    gain: Floats, gaps_m: Floats, met_m: Floats, level: float, weight: Floats | None = None
) -> Rule:
    """The gap from which enough draws say attack, of gains (draws, gaps) at rising gaps.

    The cost of attacking from a gap on is, in one draw, the mean over the balls that were met,
    `met_m`, of what the better choice would have brought beyond the rule's. With weights of the
    draws, (draws,), the even share must say attack.
    """
    share = 1.0 - RULE_SHARE if weight is None else 0.5
    weight = np.full(len(gain), 1.0 / len(gain)) if weight is None else weight
    says = weight @ (gain > 0)
    gap = float(crossings((says - (1.0 - share))[None], gaps_m)[0])
    if not len(met_m):
        return Rule(gap, float("nan"), float("nan"))
    of_ball = at_gaps(gain, gaps_m, met_m)
    attacks = met_m >= gap
    cost = np.maximum(of_ball, 0.0).mean(axis=1) - np.where(attacks, of_ball, 0.0).mean(axis=1)
    order = np.argsort(cost)
    last = int(np.searchsorted(np.cumsum(weight[order]), level))
    upper = order[min(last, len(order) - 1)]
    return Rule(gap, float(100 * weight @ cost), float(100 * cost[upper]))


def shots_to_settle(gain: Floats, level: float) -> float:
    """How many times the present shots would settle an open answer, about.

    The mean gain is taken to stay where it is, and its error to shrink with the root of the
    number of shots. Infinite beyond fifty times.
    """
    z = float(ndtri(0.5 + level / 2.0))
    mean, error = gain.mean(axis=0), gain.std(axis=0)
    for times in np.geomspace(1.05, 50.0, 60):
        low, high = (mean + s * z * error / np.sqrt(times) for s in (-1, 1))
        if (low > 0).all() or (high < 0).all() or (high[0] < 0 and low[-1] > 0):
            return float(times - 1.0)
    return float("inf")


def own_share(player: Floats, club: Floats, between: float) -> float:
    """How much of an answer is the player's own, from draws of the gain at one gap, (draws,).

    One less the posterior variance of the player's deviation from the club over the variance
    between players, averaged over the draws: 0 where the log says nothing of the player, 1 where
    it says all.
    """
    known = float(np.var(player - club))
    return float(np.clip(1.0 - known / max(between, 1e-12), 0.0, 1.0))


def share_at(posterior: Posterior, cell: int, gap_m: float, ask: Asked, gain: Floats) -> float:
    """How much of an answer is the player's own, at the gap of the cell's grid nearest to it."""
    k = int(np.abs(posterior.grids[cell] - gap_m).argmin())
    here = posterior.grids[cell][k : k + 1]
    club = posterior.gain(-1, cell, here, ask.where, ask.stroke)[:, 0]
    return own_share(gain[:, k], club, float(posterior.between[cell][k]))


def threshold_and_share(
    posterior: Posterior, player: int, cell: int, ask: Asked, level: float, own: Sequence[int]
) -> tuple[Threshold, float, float]:
    """The answer, how much of it is the player's own, and the shots that would settle it."""
    gaps, least = posterior.grids[cell], min(own)
    if least < LEAST_OWN:
        more = (LEAST_OWN - least) * sum(own) / max(least, 1)
        return Threshold(NOT_KNOWN), np.nan, more or np.inf
    gain = posterior.gain(player, cell, gaps, ask.where, ask.stroke)
    if np.isnan(gain).any():
        return Threshold(NOT_KNOWN), np.nan, np.inf
    answer = threshold_of(crossings(gain, gaps), level)
    at = answer.gap_m if answer.status == CROSSES else float(np.median(gaps))
    more = shots_to_settle(gain, level) * sum(own) if answer.status == NOT_KNOWN else 0.0
    return answer, share_at(posterior, cell, at, ask, gain), more


def own_words(share: float) -> str:
    """How much of an answer is the player's own, in words."""
    if np.isnan(share):
        return ""
    return ("mostly the club's so far", "half the player's own", "mostly the player's own")[
        int(share >= 1 / 3) + int(share >= 2 / 3)
    ]


def _answers(
    model: TightnessModel, by: Sequence[str], players: Sequence[int]
) -> Iterator[tuple[int, int, Asked]]:
    for i in players:
        for j in range(len(model.cells_)):
            for ask in asked(model.posterior_, by):
                yield i, j, ask


def _asked_about(model: TightnessModel, i: int, j: int, ask: Asked) -> dict[str, Any]:
    side, family = model.cells_[j]
    return {"player": model.players_[i], "side": side, "family": family, **ask.told}


def _own_and_tells(
    posterior: Posterior, player: int, cell: int, ask: Asked
) -> tuple[tuple[int, int], bool]:
    """Own attacks and resets asked about, and whether the log tells them from the general."""
    mine, everybody = posterior.mix.enough(player, cell, ask.where, ask.stroke)
    return mine, min(mine) >= LEAST_OWN and min(everybody) >= LEAST_IN_CELL


def curves_table(
    model: TightnessModel,
    gaps_m: Floats | None,
    level: float,
    by: Sequence[str],
    players: Sequence[int],
) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.curves`."""
    cut, widest = 0.5 * (1.0 - level), model.gap_max_m().to_numpy()
    posterior, parts = model.posterior_, []
    for i, j, ask in _answers(model, by, players):
        gaps = np.arange(0.0, widest[j], 0.02) if gaps_m is None else gaps_m
        attack = posterior.win(i, j, "attack", gaps, ask.where, ask.stroke)
        reset = posterior.win(i, j, "reset", gaps, ask.where)
        found = _asked_about(model, i, j, ask) | {"gap_m": gaps}
        for name, draws in (("attack", attack), ("reset", reset), ("gain", attack - reset)):
            low, high = np.quantile(draws, [cut, 1.0 - cut], axis=0)
            found |= {name: draws.mean(axis=0), f"{name}_low": low, f"{name}_high": high}
        better = np.where(np.isnan(attack[0]), np.nan, (attack > reset).mean(axis=0))
        found |= {"p_attack_better": better}
        found |= {"p_attack_sure": posterior.sure(attack - reset, gaps)}
        parts.append(pd.DataFrame(found))
    return pd.concat(parts, ignore_index=True)


def thresholds_table(
    model: TightnessModel, level: float, by: Sequence[str], players: Sequence[int]
) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.thresholds`."""
    posterior, rows, counts = model.posterior_, [], model.cell_counts().to_numpy()
    widest = model.gap_max_m().to_numpy()
    general: dict[tuple[int, int], tuple[Threshold, float, float]] = {}
    for i, j, ask in _answers(model, by, players):
        *own, n_rallies = counts[i * len(model.cells_) + j].tolist()
        if (i, j) not in general:
            general[i, j] = threshold_and_share(posterior, i, j, Asked({}, None, None), level, own)
        row = _asked_about(model, i, j, ask)
        found = general[i, j]
        if ask.told:
            mine, tells = _own_and_tells(posterior, i, j, ask)
            found = threshold_and_share(posterior, i, j, ask, level, own) if tells else found
            row |= {"basis": "own level" if tells else "as in general"}
            own = mine
        answer, share, more = found
        row |= {"status": answer.status, "threshold_m": answer.gap_m}
        row |= {"threshold_low_m": answer.low_m, "threshold_high_m": answer.high_m}
        row |= {"n_attack": own[0], "n_reset": own[1], "n_rallies": n_rallies}
        row |= {"more_shots": more, "gap_max_m": widest[j]}
        rows.append(row | {"own": share, "own_words": own_words(share)})
    return pd.DataFrame(rows)


def rule_table(
    model: TightnessModel, level: float, by: Sequence[str], players: Sequence[int]
) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.rule`."""
    posterior, rows = model.posterior_, []
    for i, j, ask in _answers(model, by, players):
        gaps = posterior.grids[j]
        mine, tells = _own_and_tells(posterior, i, j, ask)
        general = not (ask.told and tells)
        where, stroke = (None, None) if general else (ask.where, ask.stroke)
        gain = posterior.gain(i, j, gaps, where, stroke)
        row = _asked_about(model, i, j, ask)
        row |= {"basis": "as in general" if general else "own level"} if ask.told else {}
        weight = posterior.weak_prior(j) if len(model.players_) < FEW_PLAYERS else None
        found = rule_of(gain, gaps, posterior.gaps_met(i, j), level, weight)
        at = found.gap_m if np.isfinite(found.gap_m) else float(np.median(gaps))
        share = share_at(posterior, j, at, Asked(ask.told, where, stroke), gain)
        row |= {"rule_m": max(found.gap_m, 0.0) if found.gap_m < np.inf else found.gap_m}
        row |= {"cost": found.cost, "cost_at_most": found.cost_at_most}
        row |= {"n_attack": mine[0], "n_reset": mine[1]}
        rows.append(row | {"own": share, "own_words": own_words(share)})
    return pd.DataFrame(rows)


def shots_in_order(
    model: TightnessModel,
    player: str,
    cell: tuple[str, str | None],
    gap_m: float,
    level: float,
    situation: Mapping[str, str],
) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.which_shot`."""
    side, family = cell
    if family is None and len(model.families_) == 1:
        family = model.families_[0]
    if (side, family) not in model.cells_:
        known = "; ".join(" ".join(cell) for cell in model.cells_)
        raise DataError(f"no ball is {side!r} {family!r}; the model knows {known}")
    posterior, i = model.posterior_, model.players_.index(player)
    j = model.cells_.index((side, str(family)))
    here = check_gaps_m([gap_m], float(model.gap_max_m().iloc[j]))
    where = posterior.situation(situation)
    names, draws, n = [], [], []
    for choice in CHOICES:
        for stroke in model.curves_[choice].columns.strokes:
            win = posterior.win(i, j, choice, here, where, stroke)[:, 0]
            if not np.isnan(win).any():
                names.append((choice, stroke))
                draws.append(win)
                n.append(posterior.mix.of_stroke(i, j, choice, stroke))
    if not draws:
        told = ", ".join(f"{name} {word}" for name, word in situation.items())
        raise DataError(f"no {side} {family} of the log was met with {told}; name less of it")
    every, cut = np.stack(draws), 0.5 * (1.0 - level)
    best = np.bincount(every.argmax(axis=0), minlength=len(every)) / every.shape[1]
    low, high = np.quantile(every, [cut, 1.0 - cut], axis=1)
    table = pd.DataFrame(names, columns=["choice", "stroke"]).assign(
        win=every.mean(axis=1), win_low=low, win_high=high, p_best=best, n_shots=n
    )
    first = int(table["win"].to_numpy().argmax())
    # how much worse each is than the first
    sure = np.quantile(every[first] - every, cut, axis=1) > 0
    words = np.where(sure, "worse", "no difference known")
    words[first] = "best so far"
    table = table.assign(words=words)
    return table.sort_values("win", ascending=False, ignore_index=True)


def check_ball_words(table: pd.DataFrame, model: TightnessModel) -> None:
    """Refuse words and gaps that the model cannot know; blanks may stand anywhere."""
    need_columns(table, ("player", "side", "choice", "gap_m"))
    words: dict[str, Sequence[str]] = {"side": SIDES, "choice": CHOICES}
    if model.families_ != (ALL_STROKES,):
        need_columns(table, ("family",))
        words["family"] = model.families_
    if "stroke" in table.columns:
        words["stroke"] = STROKES
    for name, levels in model.situation_.items():
        if name in table.columns:
            words[name] = WORDS.get(name, levels)
    for name, known in words.items():
        check_words(table[name], known, name)
    gap = table["gap_m"]
    if not pd.api.types.is_numeric_dtype(gap.dtype):
        raise DataError("gap_m holds words; give gaps in metres, such as 0.4")
    check_lengths_m(gap.fillna(0.0).to_numpy() if len(gap) else [0.0], "gap_m", most=WIDTH_M)


def comfort_table(model: TightnessModel, level: float, players: Sequence[int]) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.comfort`."""
    posterior, families = model.posterior_, model.families_
    cut = [0.5 * (1.0 - level), 0.5 * (1.0 + level)]
    counts, rows = model.cell_counts(), []
    for i in players:
        for f, family in enumerate(families):
            win = [posterior.on_side(i, family, side) for side in SIDES]
            if win[0] is None or win[1] is None:
                continue
            low, high = np.quantile(win[1] - win[0], cut)
            row: dict[str, Any] = {"player": model.players_[i], "family": family}
            row |= _both_sides(model, i, (f, len(families) + f), level)
            row |= {"win_forehand": win[0].mean(), "win_backhand": win[1].mean()}
            row |= {"win_difference": (win[1] - win[0]).mean()}
            row |= {"win_difference_low": low, "win_difference_high": high}
            for side in SIDES:
                at = i * len(model.cells_) + model.cells_.index((side, family))
                own_shots = counts[["n_attack", "n_reset"]].to_numpy()[at]
                row |= {f"n_{side}": int(own_shots.sum())}
            row |= {"n_rallies": int(model.rallies_[i, len(model.cells_) + f])}
            rows.append(row)
    return pd.DataFrame(rows)


def _both_sides(
    model: TightnessModel, player: int, cells: tuple[int, int], level: float
) -> dict[str, float]:
    """Thresholds of both sides and their difference, where both are known."""
    posterior = model.posterior_
    found = []
    for cell in cells:
        at = crossings(posterior.gain(player, cell, posterior.grids[cell]), posterior.grids[cell])
        enough = min(posterior.mix.enough(player, cell, None, None)[0]) >= LEAST_OWN
        known = enough and threshold_of(at, level).status == CROSSES
        found.append(np.clip(at, 0.0, posterior.grids[cell][-1]) if known else None)
    medians = [np.nan if at is None else float(np.median(at)) for at in found]
    names = [f"threshold_{name}_m" for name in (*SIDES, "difference")]
    result = dict(zip(names, (*medians, medians[1] - medians[0]), strict=True))
    low = high = np.nan
    if found[0] is not None and found[1] is not None:
        low, high = np.quantile(found[1] - found[0], [0.5 * (1.0 - level), 0.5 * (1.0 + level)])
    ends = {"threshold_difference_low_m": float(low), "threshold_difference_high_m": float(high)}
    return result | ends
