"""What following the rule would bring: points a game, against how the player chose.

In words: over the balls of a player that were charted, the mean difference in the chance of
winning the rally between choosing by the rule and choosing as the player did, times the balls
of a game. Matches take turns: the rule and the curves for a match come from the others, so that
the same rallies do not choose and judge. The estimate is doubly robust: the curves' own
difference, mended by how results differ from the curves where player and rule agree, weighted
by the inverse of the chance to choose so (Kallus & Uehara 2020, Journal of Machine Learning
Research 21:167; Robins, Rotnitzky & Zhao 1994). Errors are clustered by rally. Where a player
hardly ever chose as the rule does, the curves stand unmended, and their own error is added. In
a cell with few own attacks or resets nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sidewall.arguments import Array, Bools, Floats, Ints, kept_rows
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.features.parts import one_table
from sidewall.models.answers import LEAST_OWN
from sidewall.models.counted import cell_of
from sidewall.models.curves import side_and_volley
from sidewall.rallies.value import gap_scale, spline_bends

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: A choice is never taken for rarer than this: weights beyond 20 would rest on single shots.
_LEAST_CHANCE: Final = 0.05
_LEAST_RALLIES: Final = 30


def follow_table(model: TightnessModel, player: str, level: float, folds: int) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.follow`."""
    own = model.used_[struck_by(model.used_, player)]
    own = own.reset_index(drop=True)
    matches = own["match"].astype(str).to_numpy()
    met = np.unique(matches)
    if len(met) < 2:
        raise DataError(f"{player} has one match charted, and a rule cannot be tried on itself")
    gain, says = (np.full(len(own), np.nan) for _ in range(2))
    cell = cell_of(own["side"], own["family"], model.families_)
    chance = _chance_to_attack(model.used_, model, player)
    attacked = (own["choice"] == "attack").to_numpy()
    counts = [
        np.bincount(cell[some], minlength=len(model.cells_)) for some in (attacked, ~attacked)
    ]
    enough = np.minimum(*counts)[cell] >= LEAST_OWN
    moved = []
    for held in np.array_split(met, min(folds, len(met))):
        there = np.isin(matches, held)
        again = _without(model, held)
        rules = again.rule().set_index(["player", "side", "family"])["rule_m"]
        key = pd.MultiIndex.from_frame(own.loc[there, ["player", "side", "family"]].astype(str))
        rule = np.where(enough[there], rules.reindex(key).to_numpy(), np.nan)
        gain[there], says[there], off = _doubly_robust(again, own[there], rule, chance[there])
        moved.append((np.flatnonzero(there), off))
    known = ~np.isnan(gain)
    games = own.groupby(["match", "game"], observed=True).ngroups
    rows = []
    labels = [(side, family, cell == j) for j, (side, family) in enumerate(model.cells_)]
    for side, family, mine in [*labels, ("all", "all", np.ones(len(own), dtype=bool))]:
        rows.append(
            {"player": player, "side": side, "family": family}
            | _points(gain, mine & known, own["rally_id"].to_numpy(), games, level, moved)
            | {"changed": float(says[mine & known].mean()) if (mine & known).any() else np.nan}
        )
    return pd.DataFrame(rows).assign(n_games=games, n_matches=len(met))


def _without(model: TightnessModel, held: Array) -> TightnessModel:
    """The same model of the other matches."""
    table = one_table(model.parts, "what following the rule would bring")
    rest = ~np.isin(table["match"].astype(str), held)
    keep = None if model.keep is None else kept_rows(table, model.keep)[rest]
    return model.again(table[rest], keep)


def _chance_to_attack(used: pd.DataFrame, model: TightnessModel, player: str) -> Floats:
    """The player's chance to attack each own ball, by gap, side, contact and situation."""
    from sklearn.linear_model import LogisticRegression  # noqa: PLC0415 - slow to load

    own = struck_by(used, player)
    some = used[own]
    attack = (some["choice"] == "attack").to_numpy()
    if attack.all() or not attack.any():
        return np.full(len(some), 1.0 if attack.all() else 0.0)
    side, volley = side_and_volley(some)
    h = gap_scale(some["gap_m"])
    columns = [h, *spline_bends(some["gap_m"]).T, side, volley, side * h, volley * h]
    for name, levels in model.situation_.items():
        columns += [(some[name] == level).fillna(False).to_numpy(float) for level in levels]
    X = np.column_stack(columns)
    fit = LogisticRegression(C=10.0, max_iter=1000).fit(X, attack)
    return np.asarray(fit.predict_proba(X)[:, 1])


def _doubly_robust(
    model: TightnessModel, shots: pd.DataFrame, rule_m: Floats, chance: Floats
) -> tuple[Floats, Floats, Floats]:
    """Each ball's part in the gain, whether rule and player differ, and how draws move the part.

    The last is of shape (draws, n): where results mend the curve in full, no draw moves it.
    """
    drawn = np.full((model.posterior_.n_draws, len(shots)), np.nan)
    attacked = (shots["choice"] == "attack").to_numpy()
    should = shots["gap_m"].to_numpy(dtype=float) >= rule_m
    for rows, attack, reset in model.posterior_.of_shots(shots):
        drawn[:, rows] = np.where(should[rows], attack, reset)
    by_rule = drawn.mean(axis=0)
    agree = attacked == should
    chosen = np.clip(np.where(attacked, chance, 1.0 - chance), _LEAST_CHANCE, 1.0)
    y = shots["outcome"].to_numpy(dtype=float)
    gain = by_rule + np.where(agree, (y - by_rule) / chosen, 0.0) - y
    off = (1.0 - agree / chosen) * (drawn - by_rule)
    return np.where(np.isnan(rule_m), np.nan, gain), (~agree).astype(float), off


def _points(
    gain: Floats,
    use: Bools,
    rally: Array,
    games: int,
    level: float,
    moved: Sequence[tuple[Ints, Floats]] = (),
) -> dict[str, Any]:
    n = int(use.sum())
    code = np.unique(rally[use], return_inverse=True)[1]
    rallies = int(code.max(initial=-1)) + 1
    row = {"points_per_game": np.nan, "points_per_game_low": np.nan}
    row |= {"points_per_game_high": np.nan}
    if rallies >= _LEAST_RALLIES:
        sums = np.bincount(code, gain[use])
        each = n / rallies * (gain[use].mean())
        size = np.bincount(code)
        scores = sums - gain[use].mean() * size
        # models of most of the same matches err alike: deviations add up, not variances
        curves = sum(float(off[:, use[rows]].sum(axis=1).std()) for rows, off in moved)
        error = float(np.sqrt(rallies / (rallies - 1) * (scores @ scores) + curves**2)) / games
        middle = each * rallies / games
        reach = float(ndtri(0.5 + level / 2.0)) * error
        row = {"points_per_game": middle, "points_per_game_low": middle - reach}
        row |= {"points_per_game_high": middle + reach}
    return row | {"n_shots": n, "n_rallies": rallies}
