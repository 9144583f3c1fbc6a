"""Do the intervals hold in worlds that nobody tuned the program to?

Simulated clubs of ten players, drawn anew for every club, play in worlds that break what the
model assumes (see `sidewall.simulate.World`). Every answer is held against the exact truth of
the simulator's own chain: threshold sets by nothing, stroke, balance and depth; bands of gain,
attack and reset; comfort; the rule and what it costs; what the guard says.

    python tests/studies/worlds.py --clubs 60 --matches 3 10
    python tests/studies/worlds.py --worlds plain "carry over, hidden" --clubs 100 --matches 10

Results go to tests/studies/results/worlds.json, a record for each world and number of matches.
"""

import argparse
import datetime as dt
import json
import os
import platform
import time
from multiprocessing import Pool
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process a core

import numpy as np
import pandas as pd
from decisions_coverage import NAMES

import sidewall as sw
from sidewall.simulate import (
    World,
    draw_players,
    round_robin,
    simulate_shots,
    true_curves,
    true_thresholds,
)

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
RESULTS = Path(__file__).parent / "results" / "worlds.json"
SURE = 0.8


def holds(row, truth):
    """Whether an answer is compatible with the true threshold (infinite: no crossing)."""
    if row.status == "attack at any gap":
        return truth == -np.inf
    if row.status == "reset at any gap":
        return truth >= row.gap_max_m
    return not (truth < row.low_m or truth > row.high_m)


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
            club = sw.models.answers.crossings(gain[None], gaps)[0]
        rows.append(
            {
                "what": f"set by {by[0] if by else 'nothing'}",
                "held": holds(row, row.threshold_m_true),
                "known": row.status == "crosses",
                "width": row.high_m - row.low_m,
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
            crossings = sw.models.answers.crossings
            four = crossings(((drawn > 0).mean(axis=0) - SURE)[None], grid)[0]
            rule = rules.loc[(player, *cell)]
            cost = cost_of(rule["rule_m"], gain, gaps, met)
            rows.append({"what": "cost of the rule", "held": cost <= rule["cost_high"] + 1e-9,
                         "error": cost})  # fmt: skip
            middle = float(np.median(crossings(drawn, grid)))
            for name, at in (("crossing point", middle), ("4 times in 5", four)):
                rows.append({"what": f"cost of the {name}", "error": cost_of(at, gain, gaps, met)})
    return rows


def one_club(task):
    world, matches, seed, number, draws, outcome = task
    rng = np.random.default_rng([seed, number])
    players = draw_players(NAMES, rng, 1.0, WORLDS[world])
    schedule = round_robin(len(players), matches)
    shots = simulate_shots(players, schedule, rng, WORLDS[world])
    start = time.process_time()
    model = sw.TightnessModel(outcome=outcome, draws=draws).fit(shots)
    seconds = time.process_time() - start
    rows = []
    for by in BY:
        if not by or by[0] == "stroke" or by[0] in model.situation_:
            rows += threshold_rows(model, players, schedule, WORLDS[world], by)
    facts = players, schedule, WORLDS[world]
    rows += curve_rows(model, *facts) + comfort_rows(model, *facts) + rule_rows(model, *facts)
    if outcome == "value":
        rows.append({"what": "guard speaks", "held": model.correction_.speaks})
    return pd.DataFrame(rows).assign(club=number, seconds=seconds)


def summed(table):
    """One line a quantity: share held with its standard error over clubs, and sizes."""
    found = {}
    for what, some in table.groupby("what"):
        line = {"n": len(some)}
        if some["held"].notna().any():
            by = some.groupby("club")["held"].mean().astype(float)
            line |= {"held": 100 * by.mean(), "se": 100 * by.std(ddof=1) / np.sqrt(len(by))}
        if what.startswith("set"):
            known = some[some["known"].astype(bool)]
            error = known["error"][np.isfinite(known["error"].astype(float))].astype(float)
            line |= {
                "known": 100 * len(known) / len(some),
                "width_cm": 100 * float(known["width"].median()),
                "bias_cm": 100 * error.mean(),
                "rmse_cm": 100 * np.sqrt((error**2).mean()),
            }
            club = known["club_error"].astype(float)
            club = club[np.isfinite(club)]
            if len(club):
                line["rmse_of_club_cm"] = 100 * np.sqrt((club**2).mean())
        elif some["error"].notna().any():
            line["mean"] = float(some["error"].astype(float).mean())
        found[what] = {name: round(float(value), 3) for name, value in line.items()}
    return found


def as_markdown(path=RESULTS):
    """The records as a Markdown table, a row a world and number of matches."""
    columns = ("set by nothing", "set by stroke", "set by balance", "set by depth")
    bands = ("band of gain", "band of attack", "band of reset", "comfort, threshold")
    heads = [
        "world",
        "matches, clubs",
        *(c.removeprefix("set ") for c in columns),
        "known",
        "width",
    ]
    heads += ["error, club", *(b.removeprefix("band of ") for b in bands), "guard", "cost"]
    lines = ["| " + " | ".join(heads) + " |", "| " + " | ".join("---" for _ in heads) + " |"]
    for name, record in json.loads(path.read_text()).items():
        world, matches, outcome = name.rsplit(", ", 2)
        found = record["found"]

        def held(what, found=found):
            line = found.get(what, {})
            return f"{line['held']:.1f} ({line['se']:.1f})" if "held" in line else ""

        own = found["set by nothing"]
        cost = [
            found[f"cost of the {k}"]["mean"] for k in ("rule", "crossing point", "4 times in 5")
        ]
        cells = [
            f"{world}{'' if outcome == 'by value' else ', ' + outcome}",
            f"{matches.split()[0]}, {record['clubs']}",
            *(held(c) for c in columns),
            f"{own['known']:.0f}",
            f"{own['width_cm']:.0f}",
            f"{own['rmse_cm']:.1f}, {own.get('rmse_of_club_cm', float('nan')):.1f}",
            *(held(b) for b in bands),
            f"{found['guard speaks']['held']:.0f}" if "guard speaks" in found else "",
            ", ".join(f"{c:.2f}" for c in cost),
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--worlds", nargs="*", default=list(WORLDS), choices=list(WORLDS))
    ask.add_argument("--clubs", type=int, default=60)
    ask.add_argument("--matches", nargs="*", type=int, default=[3, 10])
    ask.add_argument("--seed", type=int, default=20261125)
    ask.add_argument("--draws", type=int, default=400)
    ask.add_argument("--outcome", default="value", choices=["value", "rally"])
    ask.add_argument("--processes", type=int, default=os.cpu_count())
    ask.add_argument("--out", type=Path, default=RESULTS)
    ask.add_argument("--table", action="store_true", help="print the recorded results")
    asked = ask.parse_args()
    if asked.table:
        print(as_markdown(asked.out))
        return
    for matches in asked.matches:
        for world in asked.worlds:
            tasks = [
                (world, matches, asked.seed, k, asked.draws, asked.outcome)
                for k in range(asked.clubs)
            ]
            with Pool(asked.processes) as pool:
                parts = pool.map(one_club, tasks, chunksize=1)
            table = pd.concat(parts)
            record = {
                "command": f"python tests/studies/worlds.py --worlds {world!r} "
                f"--clubs {asked.clubs} --matches {matches} --draws {asked.draws} "
                f"--outcome {asked.outcome}",
                "seed": asked.seed,
                "date": dt.date.today().isoformat(),
                "versions": {"sidewall": sw.__version__, "numpy": np.__version__,
                             "python": platform.python_version()},
                "clubs": asked.clubs,
                "fit_seconds": round(float(table["seconds"].mean()), 2),
                "found": summed(table),
            }  # fmt: skip
            known = json.loads(asked.out.read_text()) if asked.out.exists() else {}
            known[f"{world}, {matches} matches, by {asked.outcome}"] = record
            asked.out.parent.mkdir(exist_ok=True)
            asked.out.write_text(json.dumps(known, indent=1, sort_keys=True) + "\n")
            print(world, matches, json.dumps(record["found"], indent=None), flush=True)


if __name__ == "__main__":
    main()
