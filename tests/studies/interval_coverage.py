"""Coverage of the other 95% intervals: curves, comfort, and what the rally chain says.

Curves and comfort are held against the simulation's exact values. What the chain says
(value of a state, points by stroke, set-up credit) is held against the same quantity on a
log many times as long of the same players and matches, where its interval is tiny.

    python tests/studies/interval_coverage.py --ladders 60
"""

import argparse
import os
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from threshold_coverage import TREES

import sidewall as sw
from sidewall import simulate

GAPS = [0.1, 0.3, 0.5, 0.8, 1.2]
LONGER = 30


def inside(table, name, low, high, truth):
    known = table[low].notna() & table[truth].notna()
    some = table[known]
    hit = (some[low] <= some[truth]) & (some[truth] <= some[high])
    return {"interval": name, "hits": int(hit.sum()), "n": len(some)}


def curves(model, players, schedule):
    table = model.curves(GAPS)
    true = simulate.true_curves(players, schedule, gaps_m=GAPS)
    key = ["player", "side", "family", "gap_m"]
    true = true.pivot_table(index=key, columns="choice", values="win_probability")
    true = true.rename(columns={"attack": "true_attack", "reset": "true_reset"}).reset_index()
    table = table.merge(true, on=key)
    table["true_gain"] = table["true_attack"] - table["true_reset"]
    by = model.outcome
    return [
        inside(table, f"curve, {part}, by {by}", f"{part}_low", f"{part}_high", f"true_{part}")
        for part in ("attack", "reset", "gain")
    ]


def comfort(model, players, schedule, truth):
    table = model.comfort()
    exact = simulate.true_curves(players, schedule, gaps_m=np.arange(321) / 100)
    exact = exact.set_index(["player", "family", "choice", "side"])["win_probability"]
    exact = {
        key: np.stack([rows[side].to_numpy() for side in ("forehand", "backhand")])
        for key, rows in ((key, exact.loc[key]) for key in exact.index.droplevel(-1).unique())
    }
    differences, thresholds = [], []
    for row in table.itertuples():
        own = model.used_[model.used_["player"] == row.player]
        own = own[own["family"] == row.family]
        grid = np.rint(100 * own["gap_m"].to_numpy()).astype(int)
        attack, reset = (exact[row.player, row.family, c][:, grid].T for c in ("attack", "reset"))
        win = np.where((own["choice"] == "attack").to_numpy()[:, None], attack, reset)
        differences.append((win[:, 1] - win[:, 0]).mean())
        cell = truth[(truth["player"] == row.player) & (truth["family"] == row.family)]
        gap = cell.set_index("side")["threshold_m"]
        thresholds.append(gap["backhand"] - gap["forehand"])
    table["true_win"], table["true_threshold"] = differences, thresholds
    return [
        inside(
            table, f"comfort, {what}, by {model.outcome}", f"{column}_low", f"{column}_high", true
        )
        for what, column, true in (
            ("win", "win_difference", "true_win"),
            ("threshold", "threshold_difference", "true_threshold"),
        )
    ]


def chain(shots, longer):
    short, long = sw.RallyChain().fit(shots), sw.RallyChain().fit(longer)
    found = []
    states = short.state_values(draws=400)
    states = states[states["shots"] >= 20].join(long.win_probability_.rename("true_win"))
    states = states.join(long.expected_shots_.rename("true_shots"))
    found.append(inside(states, "state, win probability", "win_low", "win_high", "true_win"))
    found.append(inside(states, "state, shots left", "shots_low", "shots_high", "true_shots"))
    for name, ask, columns in (
        ("points by stroke", "value_by", ["stroke"]),
        ("points by player and side", "value_by", ["player", "side"]),
        ("set-up credit by stroke", "set_up_credit", ["stroke"]),
        ("finish credit by stroke", "finish_credit", ["stroke"]),
    ):
        value = "points_per_100" if ask == "value_by" else "difference"
        one = getattr(short, ask)(columns, draws=400)
        two = getattr(long, ask)(columns, draws=2)[[*columns, value]]
        one = one[one["shots"] >= 20].merge(two.rename(columns={value: "true"}), on=columns)
        found.append(inside(one, name, f"{value}_low", f"{value}_high", "true"))
    return found


def one_ladder(task):
    seed, base = task
    rng = np.random.default_rng([base, seed])
    players = simulate.draw_players(TREES[:10], rng)
    schedule = simulate.round_robin(10, 4)
    shots = sw.shot_features(simulate.simulate_shots(players, schedule, rng))
    truth = simulate.true_thresholds(players, schedule)
    found = []
    for outcome in ("value", "rally"):
        model = sw.TightnessModel(outcome=outcome, transform="log1p").fit(shots)
        found += curves(model, players, schedule) + comfort(model, players, schedule, truth)
    longer = sw.shot_features(simulate.simulate_shots(players, schedule * LONGER, rng))
    found += chain(shots, longer)
    return pd.DataFrame(found).assign(ladder=seed)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ladders", type=int, default=60)
    parser.add_argument("--seed", type=int, default=2028)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    tasks = [(k, options.seed) for k in range(options.ladders)]
    with Pool(options.processes) as pool:
        table = pd.concat(pool.imap(one_ladder, tasks, chunksize=1))
    table["share"] = table["hits"] / table["n"]
    by = table.groupby("interval", sort=False)
    result = pd.DataFrame(
        {
            "covered %": 100 * by["hits"].sum() / by["n"].sum(),
            "se": 100 * by["share"].std() / np.sqrt(by.size()),
            "intervals": by["n"].sum(),
        }
    )
    print(result.round(1).to_string())


if __name__ == "__main__":
    main()
