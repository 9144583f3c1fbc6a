"""Where do the 95% threshold sets fail? Coverage when something is scarce or wrong.

Planted curves (`planted_shots.py`), so that one thing can be broken at a time: few matches,
many shots of a rally sharing one result, a gap that enters in another way than the model
thinks, attacks chosen on a ball that is easier than the log says. And simulated ladders.
Coverage is also told by the player's own share of the information about
attack minus reset (1 - its error variance over the variance between players, 0 where all
is borrowed) and by the number of the player's rallies.

    python tests/studies/trust_coverage.py planted --ladders 40
    python tests/studies/trust_coverage.py ladders --ladders 40
    python tests/studies/trust_coverage.py effect --ladders 100

The last asks how often the intervals of `attack_effect` hold the true average gain of
attacking over the very balls of each band, where the reason for attacking is logged.
"""

import argparse
import os
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from planted_shots import Plan, draw
from threshold_coverage import TREES, covered

import sidewall as sw
from sidewall import simulate
from sidewall.simulate.solve import crossing_gap
from sidewall.trust import attack_effect

GRID = np.arange(0.0, 3.2, 0.01)
HIDDEN = {"easy_share": 0.3, "easy_worth": 0.8, "easy_tempts": 1.5}
STRONGER = {"easy_share": 0.3, "easy_worth": 1.6, "easy_tempts": 3.0}
BENT = {"saturating": True, "matches": 10}

#: What is changed in the plan, and what the model is told.
PLANTED = {
    "3 matches": ({}, {}),
    "hidden reason": (HIDDEN, {}),
    "1 match": ({"matches": 1}, {}),
    "10 matches": ({"matches": 10}, {}),
    "bent truth, 10 matches, linear": (BENT, {"transform": "linear"}),
    "bent truth, 10 matches, log1p": (BENT, {}),
    "bent truth, 10 matches, auto": (BENT, {"transform": "auto"}),
    "hidden reason, logged and adjusted for": (HIDDEN, {"situation": ("easy_word",)}),
    "stronger hidden reason": (STRONGER, {}),
    "hidden reason, 10 matches": (HIDDEN | {"matches": 10}, {}),
    "one own shot a rally": ({"shots_per_rally": 1}, {}),
    "15 own shots a rally": ({"shots_per_rally": 15}, {}),
    "players alike (scale 0.05)": ({"player_scale": 0.05}, {}),
    "players differ much (scale 0.5)": ({"player_scale": 0.5}, {}),
}
#: Own shots of a match, and how many of them a rally has, as in the simulated ladders.
USUAL_MATCH = {"shots": 360, "shots_per_rally": 5}


def own_share(model, truth_m):
    """The player's own share of the information about attack minus reset at a gap."""
    fixed, random = model.design_.coefficient_contrasts()
    sd, weight = model.average_.sd_, model.average_.weight_
    shape = (len(model.cells_), 2, -1, random.shape[1])
    gaps = truth_m.to_numpy().reshape(len(model.players_), len(model.cells_))
    share = np.full(gaps.shape, np.nan)
    for c in range(len(model.cells_)):
        middle = np.where(np.isfinite(gaps[:, c]), gaps[:, c], 0.5)
        rows = np.column_stack([np.ones(len(middle)), model.transform_.basis(middle)])
        attack, reset = random.reshape(shape)[c]
        contrast = rows @ (attack - reset)  # one for each player
        _, cover = model.average_.contrasts(np.zeros((len(contrast), fixed.shape[1])), contrast)
        error = np.array([cover[p, p, p] for p in range(len(contrast))])
        prior = (weight[:, None] * (sd**2 @ (contrast**2).T)).sum(axis=0)
        share[:, c] = 1.0 - error / prior
    return np.clip(share, 0.0, 1.0).ravel()


def _answers(model, truth):
    table = model.thresholds().merge(truth, on=["player", "side", "family"])
    table["covered"] = [covered(r, r.truth_m) for r in table.itertuples()]
    table["share"] = own_share(model, table["truth_m"])
    table["transform"] = model.transform_.kind
    return table


def one_planted(task):
    number, seed, changes, options = task
    rng = np.random.default_rng([seed, number])
    truth, shots = draw(Plan(**(USUAL_MATCH | changes)), rng)
    shots["easy_word"] = pd.Categorical(np.where(shots["easy"], "easy", "usual"))
    model = sw.TightnessModel(outcome="rally", **({"transform": "log1p"} | options)).fit(shots)
    rows = [
        (name, *cell, crossing_gap(GRID, advantage))
        for name, cells in zip(truth.names, truth.advantage(GRID), strict=True)
        for cell, advantage in zip(truth.cells, cells, strict=True)
    ]
    true = pd.DataFrame(rows, columns=["player", "side", "family", "truth_m"])
    return _answers(model, true).assign(ladder=number)


def one_ladder(task):
    number, seed, changes, options = task
    rng = np.random.default_rng([seed, number])
    players = simulate.draw_players(TREES[:10], rng)
    schedule = simulate.round_robin(10, changes["matches"])
    shots = sw.shot_features(simulate.simulate_shots(players, schedule, rng))
    true = simulate.true_thresholds(players, schedule).drop(columns="status")
    model = sw.TightnessModel(**options, draws=200).fit(shots)
    return _answers(model, true.rename(columns={"threshold_m": "truth_m"})).assign(ladder=number)


LADDERS = {
    f"{outcome}, {matches} match{'es' if matches > 1 else ''}": (
        {"matches": matches},
        {"outcome": outcome},
    )
    for outcome in ("value", "rally")
    for matches in (1, 3, 10)
}


EFFECT_BANDS = [0.2, 0.4, 0.6, 0.8]


def one_effect(task):
    number, seed, changes, _ = task
    rng = np.random.default_rng([seed, number])
    _, shots = draw(Plan(**(USUAL_MATCH | {"players": 6} | changes)), rng)
    shots["easy_word"] = pd.Categorical(np.where(shots["easy"], "easy", "usual"))
    model = sw.TightnessModel(outcome="rally", draws=200).fit(shots)
    table = attack_effect(model, bands_m=EFFECT_BANDS, reasons=["easy_word", "side", "player"])
    gain = shots["true_attack"] - shots["true_reset"]
    table["truth"] = [
        gain[shots["gap_m"].between(*ends, inclusive="left")].mean()
        for ends in zip(table["low_m"], table["high_m"], strict=True)
    ]
    return table.assign(ladder=number)


def effect_line(name, table):
    row = {"setting": name, "runs": table["ladder"].nunique(), "bands": len(table)}
    for estimate in ("naive", "by_gap", "effect", "model_gain"):
        low, high = table[f"{estimate}_low"], table[f"{estimate}_high"]
        inside = ((low <= table["truth"]) & (table["truth"] <= high)).groupby(table["ladder"])
        share = inside.mean()
        row[f"{estimate} %"] = 100 * share.mean()
        row[f"{estimate} se"] = 100 * share.std() / np.sqrt(len(share))
        row[f"{estimate} bias"] = 100 * (table[estimate] - table["truth"]).mean()
    row["said to differ %"] = 100 * table["words"].str.startswith("attacking is").mean()
    row["kept %"] = 100 * table["kept"].mean()
    return row


EFFECT = {"logged reason": (HIDDEN, {}), "no such reason": ({}, {})}


def line(name, table):
    by = table.groupby("ladder")["covered"].mean()
    known = table[table["status"] == "crosses"]
    error = (known["threshold_m"] - known["truth_m"]).replace([np.inf, -np.inf], np.nan)
    above, below = known["low_m"] > known["truth_m"], known["high_m"] < known["truth_m"]
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
        "width cm": 100 * (known["high_m"] - known["low_m"]).median(),
        "median error cm": 100 * error.median(),
    }


def splits(name, table):
    """By own share of information, and by rallies."""
    shares = pd.cut(table["share"], [-0.01, 0.25, 0.5, 0.75, 1.0]).astype(str)
    rallies = pd.cut(table["n_rallies"], [0, 20, 50, 100, 200, 500, 10_000]).astype(str)
    return [
        line(f"{name}; {what} {label}", some)
        for what, by in (("own share", shares), ("rallies", rallies))
        for label, some in table.groupby(by)
        if some["ladder"].nunique() > 5
    ]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["planted", "ladders", "effect"])
    parser.add_argument("--ladders", type=int, default=40)
    parser.add_argument("--seed", type=int, default=2030)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", help="settings whose name holds these words")
    parser.add_argument("--out", help="write every set to this CSV file")
    options = parser.parse_args()
    settings, run, row = {
        "planted": (PLANTED, one_planted, line),
        "ladders": (LADDERS, one_ladder, line),
        "effect": (EFFECT, one_effect, effect_line),
    }[options.what]
    rows, more, every, sets = [], [], [], []
    with Pool(options.processes) as pool:
        for name, (changes, model) in settings.items():
            if options.only and options.only not in name:
                continue
            tasks = [(k, options.seed, changes, model) for k in range(options.ladders)]
            table = pd.concat(pool.imap(run, tasks, chunksize=1), ignore_index=True)
            rows.append(row(name, table))
            sets.append(table.assign(setting=name))
            print(pd.DataFrame(rows[-1:]).round(1).to_string(index=False), flush=True)
            if row is line and not changes.keys() - {"matches"}:
                every.append(table.assign(ladder=table["ladder"].astype(str) + name))
                more += splits(name, table)
    if options.out:
        pd.concat(sets).to_csv(options.out, index=False)
    if every:
        more += splits("together", pd.concat(every))
    print(pd.DataFrame(rows + more).round(1).to_string(index=False))


if __name__ == "__main__":
    main()
