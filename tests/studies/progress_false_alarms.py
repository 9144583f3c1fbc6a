"""How often does `compare_periods` see a change where there is none, and one that is there?

Simulates a ladder in two periods with the same opponents in both. Without a change every
"better" or "worse" in a player's table is a false alarm; with a planted change the study
says how often it is seen and how often the interval of the change holds the exact one.

    python tests/studies/progress_false_alarms.py --ladders 70
    python tests/studies/progress_false_alarms.py --ladders 70 --before 6 --after 1
    python tests/studies/progress_false_alarms.py --ladders 35 --plant
    python tests/studies/progress_false_alarms.py --fast

Recorded 2026-11-25, seed 2026, judged by value, log1p, eight players, about ten comparisons in
a player's table; standard errors in brackets, players of one ladder not counted as independent:

- no change, 3 matches before and 3 after, 300 pairs of periods (--ladders 100): any "better" or
  "worse" in a player's table in 3.7 (1.2) of 100. Single comparisons at p <= 0.05: threshold
  3.9 (0.6), comfort 5.5 (1.2), on target 2.2 (0.6), forced 1.0 (0.6), passed up 2.7 (0.9).
- no change, 6 before and 1 after, 120 pairs: any in 2.5 (1.4) of 100; threshold 3.3 (0.9),
  comfort 3.3 (1.5), on target 3.8 (1.1), forced 5.0 (1.9), passed up 3.3 (1.6).
- planted, 3 and 3, 50 pairs: the player attacks better (touch + 0.8) and from 15 cm tighter.
  Passed up less is seen in 56 of 100, forced more in 18, all comparisons allowed for. The
  exact threshold falls by 13 cm (median), far below the smallest change that so much data
  shows (65 cm), and is seen in 1 of 100 (p <= 0.05 alone: 7.3). The intervals of its change
  hold the exact one in 99.0 (0.7) of 100; median error +1.6 cm.

So with three matches a side a change of habits shows, and a change of threshold of the usual
size does not: "not known yet" is the answer for 94 of 100 thresholds.
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


def report(found, options):
    called = found["verdict"].isin(["better", "worse"])
    pairs = found.assign(called=called).groupby(["ladder", "player"])
    any_call = pairs["called"].any().reset_index()
    lines = [
        f"{options['outcome']}, {options['before']} matches before and {options['after']} after, "
        f"{'planted change' if options['plant'] else 'no change'}, {len(any_call)} pairs of "
        f"periods in {found['ladder'].nunique()} ladders, "
        f"{found['p'].notna().sum() / len(any_call):.1f} comparisons a pair, "
        f"{found['seconds'].mean():.1f} s a pair",
        f"any better or worse in a pair: {share(any_call['called'], any_call['ladder'])} in 100",
    ]
    for measure, some in found.groupby("measure", sort=False):
        known = some[some["p"].notna()]
        words = some["verdict"].value_counts(normalize=True)
        said = ", ".join(f"{word} {100 * part:.0f}" for word, part in words.items())
        line = (
            f"{measure}: p <= 0.05 in {share(known['p'] <= 0.05, known['ladder'])} in 100; {said}; "
            f"median smallest change {known['smallest_change'].median():.2f}"
        )
        held = known[np.isfinite(known["truth"])]
        if measure == "threshold" and len(held):
            inside = (held["change_low"] <= held["truth"]) & (held["truth"] <= held["change_high"])
            miss = (held["change"] - held["truth"]).median()
            line += (
                f"; true change {held['truth'].median():+.3f} m held by "
                f"{share(inside, held['ladder'])} in 100 intervals, median error {miss:+.3f} m"
            )
        lines.append(line)
    return "\n".join(lines)


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
    print(report(found, options))


if __name__ == "__main__":
    main()
