"""How often does `compare_periods` see a change where there is none, and one that is there?

Simulates a ladder in two periods with the same opponents in both. Without a change every
"better" or "worse" in a player's table is a false alarm; with a planted change the study
says how often it is seen and how often the interval of the change holds the exact one.

    python tests/studies/progress_false_alarms.py --ladders 70
    python tests/studies/progress_false_alarms.py --ladders 70 --before 6 --after 1
    python tests/studies/progress_false_alarms.py --ladders 35 --plant
    python tests/studies/progress_false_alarms.py --fast
"""

import argparse
import os
import time
import warnings
from dataclasses import replace
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process a core, not four threads

import numpy as np
import pandas as pd
from records import record

import sidewall as sw
from sidewall import simulate
from sidewall.progress.compare import compared
from sidewall.progress.periods import join_logs

NAMES = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Larch", "Maple", "Rowan"]


def improved(player):
    """Attacks much better, and from tighter balls."""
    return replace(player, touch=player.touch + 0.8, attack_from_m=player.attack_from_m - 0.15)


def two_periods(seed, options):
    """Both logs in one, the matches after, the players compared, and their true thresholds."""
    rng = np.random.default_rng([options["seed"], seed])
    before = simulate.draw_players(NAMES, rng)
    chosen = [int(k) for k in rng.choice(len(NAMES), options["players"], replace=False)]
    after = list(before)
    if options["plant"]:
        chosen = chosen[:1]  # of the others nothing changes but the opponent
        after[chosen[0]] = improved(before[chosen[0]])
    rounds = max(options["before"], options["after"])
    plan = simulate.round_robin(len(NAMES), rounds)
    a_round = len(plan) // rounds
    plans = [plan[: a_round * options[name]] for name in ("before", "after")]
    logs = [
        simulate.simulate_shots(players, plan, rng)
        for players, plan in zip((before, after), plans, strict=True)
    ]
    shots, _, names = join_logs(*logs)
    # one schedule for both truths: else other opponents would pass for a change
    truth = [simulate.true_thresholds(players, plan) for players in (before, after)]
    change = truth[0].drop(columns=["status", "threshold_m"])
    change["truth"] = truth[1]["threshold_m"] - truth[0]["threshold_m"]
    return shots, list(names.values()), [NAMES[k] for k in chosen], change


def one_ladder(task):
    seed, options = task
    start = time.perf_counter()
    shots, after, chosen, truth = two_periods(seed, options)
    table = sw.shot_features(shots)
    model = sw.TightnessModel(outcome=options["outcome"], draws=200).fit(table)
    found = pd.concat([compared(table, model, player, after) for player in chosen])
    found = found.merge(truth, on=["player", "side", "family"], how="left")
    seconds = (time.perf_counter() - start) / len(chosen)
    return found.assign(ladder=seed, seconds=seconds).drop(columns="note")


def share(values, ladder):
    """Mean in 100 and its standard error, players of a ladder not independent."""
    by = pd.DataFrame({"v": values.astype(float), "g": ladder}).groupby("g")["v"]
    total, n = by.sum(), by.size()
    mean = total.sum() / n.sum()
    G = len(total)
    error = np.sqrt(G / max(G - 1, 1) * ((total - mean * n) ** 2).sum()) / n.sum()
    return f"{100 * mean:.1f} ({100 * error:.1f})"


def figures(found, options):
    """Calls a pair of periods, then a row a measure."""
    called = found["verdict"].isin(["better", "worse"])
    pairs = found.assign(called=called).groupby(["ladder", "player"])
    any_call = pairs["called"].any().reset_index()
    at_all = {
        "outcome": options["outcome"],
        "matches_before": options["before"],
        "matches_after": options["after"],
        "planted": options["plant"],
        "pairs": len(any_call),
        "comparisons_a_pair": found["p"].notna().sum() / len(any_call),
        "any_call": share(any_call["called"], any_call["ladder"]),
    }
    rows = []
    for measure, some in found.groupby("measure", sort=False):
        known = some[some["p"].notna()]
        row = {"measure": measure, "p_at_most_0.05": share(known["p"] <= 0.05, known["ladder"])}
        words = 100 * some["verdict"].value_counts(normalize=True)
        row |= words.to_dict() | {"smallest_change": known["smallest_change"].median()}
        held = known[np.isfinite(known["truth"])]
        if measure == "threshold" and len(held):
            inside = (held["change_low"] <= held["truth"]) & (held["truth"] <= held["change_high"])
            row |= {"true_change_m": held["truth"].median()}
            row |= {"held": share(inside, held["ladder"])}
            row |= {"median_error_m": (held["change"] - held["truth"]).median()}
        rows.append(row)
    return {"a pair of periods": [at_all], "by measure": rows}


def study(options):
    tasks = [(k, options) for k in range(options["ladders"])]
    if options["processes"] == 1:
        return pd.concat([one_ladder(task) for task in tasks], ignore_index=True)
    with Pool(options["processes"]) as pool:
        return pd.concat(pool.imap(one_ladder, tasks, chunksize=1), ignore_index=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ladders", type=int, default=70)
    parser.add_argument("--players", type=int, default=3, help="players compared in each ladder")
    parser.add_argument("--before", type=int, default=3, help="matches of each player")
    parser.add_argument("--after", type=int, default=3)
    parser.add_argument("--plant", action="store_true", help="one player gets better")
    parser.add_argument("--outcome", default="value", choices=["rally", "value"])
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--fast", action="store_true", help="eight ladders, to see that it runs")
    parser.add_argument("--out", help="write every comparison to this CSV file")
    options = vars(parser.parse_args())
    if options["fast"]:
        options["ladders"] = 8
    warnings.simplefilter("error", RuntimeWarning)
    found = study(options)
    if options["out"]:
        found.to_csv(options["out"], index=False)
    name = "planted" if options["plant"] else "nothing"
    name = f"progress_{name}_{options['before']}_{options['after']}"
    record(name, figures(found, options), options["seed"])


if __name__ == "__main__":
    main()
