"""What could wall heights bring, if they told the chance of the tin exactly?

A player with few attacks has few balls in the tin, and the chance of the tin by the heights of
all attacks is known better than by that count. How much better thresholds would get by it is
bounded here from above: each attack's result is freed of the luck of the tin with the
simulator's own chance of it, which no log can tell as well.

    python tests/studies/tin_by_heights.py --clubs 16 --matches 3 10

Root mean square error of the players' thresholds, with the same logs judged as the model does
and freed of that luck; beside the club's own threshold for everybody.
"""

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record
from worlds import NAMES, threshold_rows

import sidewall as sw
from sidewall.models import fitting
from sidewall.rallies.value import Outcomes, outcomes
from sidewall.simulate import World, draw_players, dress, round_robin, simulate_shots

BINS = 10
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


def freed(table, *options, **more):
    """Outcomes without the luck of the tin: its chance in place of whether it came."""
    found = outcomes(table, *options, **more)
    y, gap = found.outcome.copy(), table["gap_m"].to_numpy()
    tin = (table["ending"] == "tin").to_numpy()
    attack = (table["choice"] == "attack").to_numpy() & ~np.isnan(gap) & ~np.isnan(y)
    edges = np.quantile(gap[attack], np.linspace(0, 1, BINS + 1)[1:-1])
    bins = np.searchsorted(edges, gap)
    for k in range(BINS):
        here = attack & (bins == k)
        # what such an attack is worth that clears the tin
        clear = y[here & ~tin].mean()
        y[here] += (tin - table["tin_chance"].to_numpy())[here] * clear
    return Outcomes(y, found.ball, found.sign, found.advantage)


def one_club(number, matches, seed):
    rng = np.random.default_rng([seed, matches, number])
    world = World()
    players = draw_players(NAMES, rng, 1.0, world)
    schedule = round_robin(len(players), matches)
    shots = simulate_shots(players, schedule, rng, world)
    parts = []
    for name, judge in (("as charted", outcomes), ("freed of the tin's luck", freed)):
        fitting.outcomes = judge
        model = sw.TightnessModel(draws=300).fit(shots)
        rows = pd.DataFrame(threshold_rows(model, players, schedule, world, ()))
        parts.append(rows.assign(judged=name, club=number, matches=matches))
    return pd.concat(parts)


def squared(values):
    """Mean square in square centimetres of the finite ones."""
    values = values.astype(float)
    return 1e4 * (values[np.isfinite(values)] ** 2).mean()


def row_of(matches, name, some):
    known = some[some["known"].astype(bool)]
    clubs = known.groupby("club")["error"].agg(squared)
    mean = clubs.mean()
    row = {"matches": matches, "judged": name, "clubs": len(clubs), "sets": len(known)}
    row["error_cm"] = np.sqrt(mean)
    row["se_cm"] = clubs.std(ddof=1) / np.sqrt(len(clubs)) / (2 * np.sqrt(mean))
    row["club_error_cm"] = np.sqrt(known.groupby("club")["club_error"].agg(squared).mean())
    return row | {"held": 100 * some["held"].astype(float).mean()}


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--clubs", type=int, default=16)
    ask.add_argument("--matches", type=int, nargs="+", default=[3, 10])
    ask.add_argument("--seed", type=int, default=77)
    asked = ask.parse_args()
    dress._dress = dressed
    tables = [one_club(k, m, asked.seed) for m in asked.matches for k in range(asked.clubs)]
    by = pd.concat(tables).groupby(["matches", "judged"], sort=False)
    record("tin_by_heights", [row_of(*key, some) for key, some in by], asked.seed)


if __name__ == "__main__":
    main()
