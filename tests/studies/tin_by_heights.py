"""What do wall heights bring, if they tell the chance of the tin in place of the count of tins?

A player with few attacks has few balls in the tin, and all heights might tell the chance of it
better than that count. Four ways to judge the same attacks:

- as charted, as the model does;
- freed of the tin's luck, by the simulator's own chance of it, which no log can tell as well:
  the most that heights could bring;
- by heights: the chance that the normal of a player's heights with a stroke leaves below the tin
  (pooled over players, mean linear in the gap, by side and contact), held against all tins;
- by heights, and what they miss fitted beside it with the same pooling, its draws added.

    python tests/studies/tin_by_heights.py --clubs 16 --matches 3 10

Error of the gain of attacking over resetting at three gaps, in rallies of 100, and its square
beside that of the attacks as charted, with the standard error over clubs.
"""

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record
from scipy.special import logit, ndtr
from sklearn.linear_model import LogisticRegression
from worlds import CELL, GAPS_M, NAMES

import sidewall as sw
from sidewall.errors import DataError
from sidewall.models import fitting
from sidewall.models.correction import Correction
from sidewall.placement.heights import CensoredNormal
from sidewall.rallies.value import Outcomes, outcomes
from sidewall.simulate import World, draw_players, dress, round_robin, simulate_shots, true_curves

TIN_M = 0.48
BINS = 10
LEAST = 60  # heights of a stroke
LEAST_OWN = 8
#: The column of `dress`'s table of strokes that says which share of errors is the tin.
TIN, OVER_TIN = 0, 4
plainly_dressed = dress._dress


def dressed(coded, *rest):
    """A log that knows the chance of the tin of every shot."""
    shots = plainly_dressed(coded, *rest)
    how = dress._HOW[shots["stroke"].cat.codes.to_numpy()]
    may = ~np.isnan(how[:, OVER_TIN]) & (coded["shot"].to_numpy() > 1)
    chance = np.where(may, coded["error"].to_numpy() * how[:, TIN], 0.0)
    return shots.assign(tin_chance=np.nan_to_num(chance))


def below_tin(player, X, height):
    """Chance of the tin of every shot with a stroke; NaN where the heights do not tell it."""
    tin = np.isnan(height)
    varies = [k for k in range(X.shape[1]) if k == 0 or np.ptp(X[:, k]) > 0]
    try:
        club = CensoredNormal().fit(height, TIN_M, X[:, varies])
    except DataError:
        return np.full(len(X), np.nan)
    mean = X[:, varies] @ club.coefficients_.to_numpy()
    scaled, edge = (height - mean) / club.sd_, (TIN_M - mean) / club.sd_
    found = []
    for i in range(len(NAMES)):
        own = player == i
        if (~tin[own]).sum() < LEAST_OWN:
            found.append((0.0, 0.0, np.inf, np.inf))
            continue
        fit = CensoredNormal().fit(scaled[own], edge[own])
        errors = np.diag(fit.covariance_)
        found.append((fit.coefficients_.iloc[0], np.log(fit.sd_), *errors))
    own, error = np.hsplit(np.array(found), 2)
    told = np.isfinite(error[:, 0])
    between = np.maximum((own[told] ** 2 - error[told]).mean(axis=0), 1e-4) if told.any() else 0.0
    own = own * (between / (between + error))
    return ndtr((edge - own[player, 0]) / np.exp(own[player, 1]))


def by_heights(table, attack, bins):
    """Chance of the tin of attacks by heights, held against the tins of all players."""
    height, tin = table["wall_z_m"].to_numpy(), (table["ending"] == "tin").to_numpy()
    player = pd.Index(NAMES).get_indexer(table["player"].astype(str))
    words = table[["stroke", "side", "family"]].astype(str)
    X = np.column_stack([np.ones(len(table)), np.log1p(table["gap_m"] / 0.25)])
    X = np.column_stack([X, words["side"] == "backhand", words["family"] == "volley"])
    known = attack & (tin | ~np.isnan(height)) & (table["ending"] != "down").to_numpy()
    chance = np.full(len(table), np.nan)
    for stroke in words.loc[known, "stroke"].unique():
        here = np.flatnonzero(known & (words["stroke"] == stroke))
        if (~tin[here]).sum() >= LEAST and tin[here].any():
            seen = np.where(tin[here], np.nan, height[here])
            chance[here] = below_tin(player[here], X[here].astype(float), seen)
    told = ~np.isnan(chance)
    levels = pd.get_dummies(words.assign(bin=bins.astype(str))[told]).to_numpy(dtype=float)
    columns = np.column_stack([levels, logit(np.clip(chance[told], 1e-4, 0.9))])
    held = LogisticRegression(C=10.0, max_iter=2000).fit(columns, tin[told])
    chance[told] = held.predict_proba(columns)[:, 1]
    return chance


def judge(how):
    """Outcomes by one of the ways; "rest" is what the heights miss, about one half."""

    def judged(table, *options, **more):
        found = outcomes(table, *options, **more)
        y, gap = found.outcome.copy(), table["gap_m"].to_numpy()
        tin = (table["ending"] == "tin").to_numpy()
        attack = (table["choice"] == "attack").to_numpy() & ~np.isnan(gap) & ~np.isnan(y)
        edges = np.quantile(gap[attack], np.linspace(0, 1, BINS + 1)[1:-1])
        bins = np.searchsorted(edges, gap)
        exact = how == "freed of the tin's luck"
        chance = table["tin_chance"].to_numpy() if exact else by_heights(table, attack, bins)
        luck = np.zeros(len(y))
        for k in range(BINS):
            here = attack & (bins == k) & ~np.isnan(chance)
            # what such an attack is worth that clears the tin
            luck[here] = (tin - chance)[here] * y[here & ~tin].mean()
        if how == "rest":
            rest = np.where(np.isnan(y), np.nan, 0.5 - luck)
            return Outcomes(rest, np.full(len(y), -1), np.ones(len(y)), found.advantage)
        return Outcomes(y + luck, found.ball, found.sign, found.advantage)

    return outcomes if how == "as charted" else judged


def curves(shots, how):
    """Gain and its standard error, of the rest the attack's alone, at three gaps."""
    plain = Correction.draws
    fitting.outcomes = judge(how)
    try:
        if how == "rest":  # what the value misses is mended once
            Correction.draws = lambda self, *options: 0.0 * plain(self, *options)
        table = sw.TightnessModel(draws=400).fit(shots).curves(GAPS_M)
    finally:
        fitting.outcomes, Correction.draws = outcomes, plain
    what, less = ("attack", 0.5) if how == "rest" else ("gain", 0.0)
    table["se"] = (table[f"{what}_high"] - table[f"{what}_low"]) / 3.92
    return table.assign(found=table[what] - less).set_index([*CELL, "gap_m"])[["found", "se"]]


def one_club(number, matches, seed):
    rng = np.random.default_rng([seed, matches, number])
    world = World()
    players = draw_players(NAMES, rng, 1.0, world)
    schedule = round_robin(len(players), matches)
    shots = simulate_shots(players, schedule, rng, world)
    truth = true_curves(players, schedule, world, GAPS_M)
    truth = truth.pivot_table("win_probability", [*CELL, "gap_m"], "choice")
    ways = {
        how: curves(shots, how) for how in ("as charted", "freed of the tin's luck", "by heights")
    }
    rest = curves(shots, "rest")
    both = ways["by heights"].assign(
        found=ways["by heights"]["found"] + rest["found"],
        se=np.hypot(ways["by heights"]["se"], rest["se"]),
    )
    parts = []
    for how, table in (ways | {"by heights, the rest fitted": both}).items():
        error = table["found"] - (truth["attack"] - truth["reset"]).reindex(table.index)
        parts.append(
            {
                "matches": matches,
                "judged": how,
                "club": number,
                "square": 1e4 * (error**2).mean(),
                "held": 100 * (error.abs() < 1.96 * table["se"]).mean(),
                "half_width": 196 * table["se"].mean(),
            }
        )
    return parts


def rows_of(table):
    """A row for each number of matches and way."""
    squares = table.pivot_table(index=["matches", "club"], columns="judged", values="square")
    beside = 100 * squares.div(squares["as charted"], axis=0)
    rows = []
    for (matches, how), some in table.groupby(["matches", "judged"], sort=False):
        ratio = beside.loc[matches, how]
        row = {"matches": matches, "judged": how, "clubs": len(some)}
        row["gain_error"] = np.sqrt(some["square"].mean())
        row |= {"square_to_charted_in_100": ratio.mean()}
        row |= {"se": ratio.std(ddof=1) / np.sqrt(len(ratio)), "held": some["held"].mean()}
        rows.append(row | {"half_width": some["half_width"].mean()})
    return rows


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--clubs", type=int, default=16)
    ask.add_argument("--matches", type=int, nargs="+", default=[3, 10])
    ask.add_argument("--seed", type=int, default=77)
    asked = ask.parse_args()
    dress._dress = dressed
    found = [part for m in asked.matches for k in range(asked.clubs)
             for part in one_club(k, m, asked.seed)]  # fmt: skip
    record("tin_by_heights", rows_of(pd.DataFrame(found)), asked.seed)


if __name__ == "__main__":
    main()
