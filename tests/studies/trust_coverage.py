"""Where do the 95% threshold sets fail, and do the intervals of `attack_effect` hold?

Simulated ladders, whose truth is exact. Coverage of threshold sets is told by the number of
matches, by how much of the answer is the player's own (`own`, 0 where all is borrowed from the
club) and by the number of the player's rallies.

    python tests/studies/trust_coverage.py ladders --ladders 40
    python tests/studies/trust_coverage.py effect --ladders 100

The last asks how often the intervals of `attack_effect` hold the true average gain of attacking
over the very balls of each band: where depth and balance, which drive choice and chance alike,
are logged and allowed for, where they are logged but left out, and where an ease that no log
holds drives both.
"""

import argparse
import os
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from decisions_coverage import exact_chances
from records import record
from worlds import NAMES, holds

import sidewall as sw
from sidewall import simulate
from sidewall.simulate import World
from sidewall.trust import attack_effect


def a_ladder(number, seed, matches, world):
    """Players, schedule and shots of one ladder drawn anew."""
    rng = np.random.default_rng([seed, number])
    players = simulate.draw_players(NAMES, rng, 1.0, world)
    schedule = simulate.round_robin(len(NAMES), matches)
    shots = simulate.simulate_shots(players, schedule, rng, world)
    return players, schedule, sw.shot_features(shots)


def one_ladder(task):
    number, seed, changes, options = task
    players, schedule, shots = a_ladder(number, seed, changes["matches"], World())
    cell = ["player", "side", "family"]
    truth = simulate.true_thresholds(players, schedule)[[*cell, "threshold_m"]]
    model = sw.TightnessModel(**options, draws=400).fit(shots)
    table = model.thresholds().merge(truth, on=cell, suffixes=("", "_true"))
    table = table.rename(columns={"threshold_m_true": "truth_m"})
    table["covered"] = [holds(row, row.truth_m) for row in table.itertuples()]
    return table.assign(ladder=number)


LADDERS = {
    f"{outcome}, {matches} match{'es' if matches > 1 else ''}": (
        {"matches": matches},
        {"outcome": outcome},
    )
    for outcome in ("value", "rally")
    for matches in (1, 3, 10)
}


EFFECT_BANDS = [0.2, 0.4, 0.6, 0.8]
PLACED = ["depth", "balance", "side", "family", "player"]
#: By setting: the world, and the reasons that are allowed for.
EFFECT = {
    "depth and balance allowed for": (World(), PLACED),
    "depth and balance left out": (World(), PLACED[2:]),
    "unseen reason": (World(unseen=2.0), PLACED),
}


def one_effect(task):
    number, seed, world, reasons = task
    players, schedule, shots = a_ladder(number, seed, 3, world)
    model = sw.TightnessModel(outcome="rally", draws=200).fit(shots)
    table = attack_effect(model, bands_m=EFFECT_BANDS, reasons=reasons)
    attack, reset = exact_chances(model.used_, players, schedule, world)
    gap = model.used_["gap_m"]
    table["truth"] = [
        (attack - reset)[gap.between(*ends, inclusive="left")].mean()
        for ends in zip(table["from_m"], table["to_m"], strict=True)
    ]
    return table.assign(ladder=number)


def effect_line(name, table):
    row = {"setting": name, "runs": table["ladder"].nunique(), "bands": len(table)}
    for estimate in ("naive", "equally_loose", "effect", "model_gain"):
        low, high = table[f"{estimate}_low"], table[f"{estimate}_high"]
        inside = ((low <= table["truth"]) & (table["truth"] <= high)).groupby(table["ladder"])
        share = inside.mean()
        row[f"{estimate} %"] = 100 * share.mean()
        row[f"{estimate} se"] = 100 * share.std() / np.sqrt(len(share))
        row[f"{estimate} bias"] = 100 * (table[estimate] - table["truth"]).mean()
    row["said to differ %"] = 100 * table["words"].str.startswith("attacking is").mean()
    row["kept %"] = 100 * table["kept"].mean()
    return row


def line(name, table):
    by = table.groupby("ladder")["covered"].mean()
    known = table[table["status"] == "crosses"]
    error = (known["threshold_m"] - known["truth_m"]).replace([np.inf, -np.inf], np.nan)
    truth = known["truth_m"]
    above, below = known["threshold_low_m"] > truth, known["threshold_high_m"] < truth
    return {
        "setting": name,
        "ladders": len(by),
        "sets": len(table),
        "covered %": 100 * by.mean(),
        "se": 100 * by.std() / np.sqrt(len(by)),
        "known %": 100 * len(known) / len(table),
        "covered, known %": 100 * known["covered"].mean() if len(known) else np.nan,
        "all too loose %": 100 * above.mean() if len(known) else np.nan,
        "all too tight %": 100 * below.mean() if len(known) else np.nan,
        "width cm": 100 * (known["threshold_high_m"] - known["threshold_low_m"]).median(),
        "median error cm": 100 * error.median(),
    }


def splits(name, table):
    """By own share of information, and by rallies."""
    shares = pd.cut(table["own"], [-0.01, 0.25, 0.5, 0.75, 1.0]).astype(str)
    rallies = pd.cut(table["n_rallies"], [0, 20, 50, 100, 200, 500, 10_000]).astype(str)
    return [
        line(f"{name}; {what} {label}", some)
        for what, by in (("own share", shares), ("rallies", rallies))
        for label, some in table.groupby(by)
        if some["ladder"].nunique() > 5
    ]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["ladders", "effect"])
    parser.add_argument("--ladders", type=int, default=40)
    parser.add_argument("--seed", type=int, default=2030)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", help="settings whose name holds these words")
    parser.add_argument("--out", help="write every set to this CSV file")
    options = parser.parse_args()
    settings, run, row = {
        "ladders": (LADDERS, one_ladder, line),
        "effect": (EFFECT, one_effect, effect_line),
    }[options.what]
    rows, more, every, sets = [], [], [], []
    with Pool(options.processes) as pool:
        for name, setting in settings.items():
            if options.only and options.only not in name:
                continue
            tasks = [(k, options.seed, *setting) for k in range(options.ladders)]
            table = pd.concat(pool.imap(run, tasks, chunksize=1), ignore_index=True)
            rows.append(row(name, table))
            sets.append(table.assign(setting=name))
            print(pd.DataFrame(rows[-1:]).round(1).to_string(index=False), flush=True)
            if row is line:
                every.append(table.assign(ladder=table["ladder"].astype(str) + name))
                more += splits(name, table)
    if options.out:
        pd.concat(sets).to_csv(options.out, index=False)
    if every:
        more += splits("together", pd.concat(every))
    record(f"trust_{options.what}", rows + more, options.seed)


if __name__ == "__main__":
    main()
