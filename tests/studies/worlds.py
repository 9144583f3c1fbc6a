"""Do the intervals hold in worlds that nobody tuned the program to?

Simulated clubs of ten players, drawn anew for every club, play in worlds that break what the
model assumes (see `sidewall.simulate.World`). Every answer is held against the exact truth of
the simulator's own chain: threshold sets by nothing, stroke, balance and depth; bands of gain,
attack and reset; comfort; the rule and what it costs; what the guard says.

    python tests/studies/worlds.py --clubs 60 --matches 3 10
    python tests/studies/worlds.py --guard --clubs 100 --matches 10
    python tests/studies/worlds.py --players 300 --clubs 4 --matches 2 --worlds plain

With more than ten players each meets so many others, drawn anew for every club. A record for
each number of matches, a row a world. With --guard only how often the guard speaks in the plain
world and in the one that hides what carries over, and a record of that.
"""

import argparse
import os
import time
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process a core

import numpy as np
import pandas as pd
from records import record

import sidewall as sw
from sidewall.simulate import (
    World,
    draw_players,
    round_robin,
    simulate_shots,
    true_curves,
    true_thresholds,
)

NAMES = [
    "Alder",
    "Aspen",
    "Cedar",
    "Hazel",
    "Juniper",
    "Laurel",
    "Linden",
    "Maple",
    "Rowan",
    "Willow",
]
WORLDS = {
    "plain": World(),
    "strokes differ by place": World(strokes=True),
    "steep curves": World(steep=3.0),
    "bent curves": World(bent=True),
    "kinks that differ": World(bent=True, kinks_m=0.08),
    "balls through the middle": World(centre=0.15),
    "charting error of 5 cm": World(charting_error_m=0.05),
    "unseen reason": World(unseen=2.0),
    "drift": World(drift=0.2),
    "carry over": World(carry_over=0.6),
    "carry over, hidden": World(carry_over=0.6, chart_balance=False),
}
BY = ((), ("stroke",), ("balance",), ("depth",))
GAPS_M = (0.2, 0.5, 1.0)
CELL = ["player", "side", "family"]
SURE = 0.8
SETS = ("nothing", "stroke", "balance", "depth")
COSTS = ("rule", "crossing point", "4 times in 5")
ABOUT = (
    "In 100, with the standard error over clubs: how often threshold sets (by nothing, stroke, "
    "balance, depth), bands and comfort hold the truth, and how often the guard speaks. Known: "
    "thresholds with a gap; width: median; error: root mean square, beside that of the club's "
    "own threshold for everybody; cost: rallies in 100 balls."
)
ABOUT_GUARD = "Clubs of ten players in which the guard says that the value misses something."


def holds(row, truth):
    """Whether an answer is compatible with the true threshold (infinite: no crossing)."""
    if row.status == "attack at any gap":
        return truth == -np.inf
    if row.status == "reset at any gap":
        return truth >= row.gap_max_m
    return not (truth < row.threshold_low_m or truth > row.threshold_high_m)


def threshold_rows(model, players, schedule, world, by):
    truth = true_thresholds(players, schedule, world, by=by)[[*CELL, *by, "threshold_m"]]
    table = model.thresholds(by=by).merge(truth, on=[*CELL, *by], suffixes=("", "_true"))
    if by:
        table = table[table["basis"] == "own level"]
    table = table[table[["n_attack", "n_reset"]].min(axis=1) >= 5]
    rows = []
    for row in table.itertuples():
        j = model.cells_.index((row.side, row.family))
        gaps = model.posterior_.grids[j]
        club = np.nan
        if not by:
            gain = model.posterior_.gain(-1, j, gaps).mean(axis=0)
            club = sw.models.posterior.crossings(gain[None], gaps)[0]
        rows.append(
            {
                "what": f"set by {by[0] if by else 'nothing'}",
                "held": holds(row, row.threshold_m_true),
                "known": row.status == "crosses",
                "width": row.threshold_high_m - row.threshold_low_m,
                "error": row.threshold_m - row.threshold_m_true,
                "club_error": club - row.threshold_m_true,
            }
        )
    return rows


def curve_rows(model, players, schedule, world):
    truth = true_curves(players, schedule, world, GAPS_M)
    truth = truth.pivot_table("win_probability", [*CELL, "gap_m"], "choice").reset_index()
    truth["gain"] = truth["attack"] - truth["reset"]
    table = model.curves(GAPS_M).merge(truth, on=[*CELL, "gap_m"], suffixes=("", "_true"))
    rows = []
    for what in ("gain", "attack", "reset"):
        true, low, high = (table[f"{what}{end}"] for end in ("_true", "_low", "_high"))
        for at, middle in zip((low <= true) & (true <= high), table[what] - true, strict=True):
            rows.append({"what": f"band of {what}", "held": at, "error": middle})
    return rows


def comfort_rows(model, players, schedule, world):
    truth = true_thresholds(players, schedule, world).set_index(CELL)["threshold_m"]
    rows = []
    for row in model.comfort().itertuples():
        forehand, backhand = (truth[(row.player, s, row.family)] for s in ("forehand", "backhand"))
        difference = backhand - forehand
        if np.isfinite(row.threshold_difference_low_m) and np.isfinite(difference):
            low, high = row.threshold_difference_low_m, row.threshold_difference_high_m
            held = low <= difference <= high
            rows.append({"what": "comfort, threshold", "held": held})
    return rows


def cost_of(gap_m, gain, gaps_m, met_m):
    """Rallies in 100 balls that knowing the truth would save, exactly."""
    of_ball = np.interp(met_m, gaps_m, gain)
    return 100 * float(np.mean(np.maximum(of_ball, 0) - np.where(met_m >= gap_m, of_ball, 0)))


def rule_rows(model, players, schedule, world):
    gaps = np.arange(0.0, 3.2, 0.02)
    truth = true_curves(players, schedule, world, gaps)
    rules = model.rule().set_index(CELL)
    rows = []
    for i, player in enumerate(model.players_):
        for j, cell in enumerate(model.cells_):
            met = model.posterior_.gaps_met(i, j)
            if len(met) < 10:
                continue
            own = truth[(truth["player"] == player) & (truth["side"] == cell[0])]
            own = own[own["family"] == cell[1]].pivot_table("win_probability", "gap_m", "choice")
            gain = (own["attack"] - own["reset"]).to_numpy()
            grid = model.posterior_.grids[j]
            drawn = model.posterior_.gain(i, j, grid)
            crossings = sw.models.posterior.crossings
            four = crossings(((drawn > 0).mean(axis=0) - SURE)[None], grid)[0]
            rule = rules.loc[(player, *cell)]
            cost = cost_of(rule["rule_m"], gain, gaps, met)
            rows.append({"what": "cost of the rule", "held": cost <= rule["cost_at_most"] + 1e-9,
                         "error": cost})  # fmt: skip
            middle = float(np.median(crossings(drawn, grid)))
            for name, at in (("crossing point", middle), ("4 times in 5", four)):
                rows.append({"what": f"cost of the {name}", "error": cost_of(at, gain, gaps, met)})
    return rows


def one_club(task):
    world, matches, seed, number, draws, outcome, guard, many = task
    rng = np.random.default_rng([seed, number])
    names = NAMES if many == len(NAMES) else [f"Player {k:04d}" for k in range(many)]
    players = draw_players(names, rng, 1.0, WORLDS[world])
    if many == len(NAMES):
        schedule = round_robin(many, matches)
    else:
        orders = [rng.permutation(many).tolist() for _ in range(matches)]
        schedule = [pair for one in orders for pair in zip(one[::2], one[1::2], strict=True)]
    shots = simulate_shots(players, schedule, rng, WORLDS[world])
    start = time.process_time()
    model = sw.TightnessModel(outcome=outcome, draws=draws).fit(shots)
    seconds = time.process_time() - start
    said = outcome == "value" and (model.correction_.speaks or model.carried_.speaks)
    speaks = {"what": "guard speaks", "held": said}
    if guard:
        return pd.DataFrame([speaks]).assign(club=number, seconds=seconds)
    rows = []
    for by in BY:
        if not by or by[0] == "stroke" or by[0] in model.situation_:
            rows += threshold_rows(model, players, schedule, WORLDS[world], by)
    facts = players, schedule, WORLDS[world]
    rows += curve_rows(model, *facts) + comfort_rows(model, *facts) + rule_rows(model, *facts)
    rows += [speaks] if outcome == "value" else []
    return pd.DataFrame(rows).assign(club=number, seconds=seconds)


def summed(world, matches, table):
    """One row of answers a world: shares held with their standard errors over clubs, and sizes."""

    def held(what):
        by = table[table["what"] == what].groupby("club")["held"].mean().astype(float)
        if not len(by):
            return np.nan
        return f"{100 * by.mean():.1f} ({100 * by.std(ddof=1) / np.sqrt(len(by)):.1f})"

    def mean(what):
        return table.loc[table["what"] == what, "error"].astype(float).mean()

    own = table[table["what"] == "set by nothing"]
    known = own[own["known"].astype(bool)][["width", "error", "club_error"]].astype(float)
    known = 100 * known.where(np.isfinite(known))
    row = {"world": world, "matches": matches, "clubs": table["club"].nunique()}
    row |= {"sets": len(own)} | {f"set {b}": held(f"set by {b}") for b in SETS}
    row |= {"known": 100 * len(known) / len(own), "width_cm": known["width"].median()}
    row |= {"bias_cm": known["error"].mean()}
    for name in ("error", "club_error"):
        row[f"{name}_cm"] = np.sqrt((known[name] ** 2).mean())
    row |= {what: held(f"band of {what}") for what in ("gain", "attack", "reset")}
    row |= {"comfort": held("comfort, threshold"), "guard": held("guard speaks")}
    row |= {f"cost of {what}": mean(f"cost of the {what}") for what in COSTS}
    return row | {"fit_seconds": table["seconds"].mean()}


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--worlds", nargs="*", default=list(WORLDS), choices=list(WORLDS))
    ask.add_argument("--clubs", type=int, default=60)
    ask.add_argument("--matches", nargs="*", type=int, default=[3, 10])
    ask.add_argument("--seed", type=int, default=20261125)
    ask.add_argument("--draws", type=int, default=400)
    ask.add_argument("--outcome", default="value", choices=["value", "rally"])
    ask.add_argument("--processes", type=int, default=os.cpu_count())
    ask.add_argument("--guard", action="store_true")
    ask.add_argument("--players", type=int, default=len(NAMES))
    asked = ask.parse_args()
    if asked.guard:
        asked.worlds, asked.draws = ["plain", "carry over, hidden"], 50
    options = asked.draws, asked.outcome, asked.guard
    more = "" if asked.players == len(NAMES) else f"_{asked.players}_players"
    for matches in asked.matches:
        rows = []
        for world in asked.worlds:
            tasks = [
                (*(world, matches, asked.seed, k), *options, asked.players)
                for k in range(asked.clubs)
            ]
            with Pool(asked.processes) as pool:
                table = pd.concat(pool.imap(one_club, tasks, chunksize=1))
            if asked.guard:
                n, said = len(table), int(table["held"].sum())
                rows.append({"world": world, "matches": matches, "clubs": n, "guard speaks": said})
                record(f"guard_{matches}", rows, asked.seed, about=ABOUT_GUARD)
                continue
            rows.append(summed(world, matches, table))
            record(f"worlds_{asked.outcome}_{matches}{more}", rows, asked.seed, about=ABOUT)


if __name__ == "__main__":
    main()
