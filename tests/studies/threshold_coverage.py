"""Do 95% threshold sets cover the exact truth 95 times in 100?

Simulates ladders of players drawn anew each time, fits the tightness model, and compares
each player's confidence set with the threshold that solving the simulator's own chain
gives. Prints one line a setting; --out keeps the rows.

    python tests/studies/threshold_coverage.py --ladders 200
    python tests/studies/threshold_coverage.py --ladders 200 --outcome value --players 10 --rounds 4
"""

import argparse
import os
import time
import warnings
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process a core, not four threads

import numpy as np
import pandas as pd

import sidewall as sw
from sidewall import simulate

TREES = [
    *("Alder", "Ash", "Aspen", "Beech", "Birch", "Cedar", "Cypress", "Elder", "Elm", "Fir"),
    *("Hawthorn", "Hazel", "Hemlock", "Holly", "Hornbeam", "Juniper", "Larch", "Laurel"),
    *("Linden", "Maple", "Mulberry", "Oak", "Olive", "Pine", "Poplar", "Rowan", "Spruce"),
    *("Sycamore", "Walnut", "Willow"),
]


def covered(row, truth):
    """Whether an answer is compatible with the true threshold (infinite: no crossing)."""
    if row.status == "crosses":
        return row.low_m <= truth <= row.high_m
    if row.status == "attack at any gap":
        return truth <= 0
    if row.status == "reset at any gap":
        return truth >= row.gap_max_m
    return not (truth < row.low_m or truth > row.high_m)


def advantage_at(model, truth_m):
    """Half-width of the 95% interval of attack minus reset, and its estimate, in log odds.

    At the true threshold, so that the estimate is the error; missing without a crossing.
    """
    values, covariances = model._cell_coefficients(None)
    truth = truth_m.to_numpy().reshape(values.shape[:2])
    found = []
    for player, V_player, gaps in zip(values, covariances, truth, strict=True):
        for (attack, reset), V, gap in zip(player, V_player, gaps, strict=True):
            if not np.isfinite(gap):
                found.append((np.nan, np.nan))
                continue
            x = np.r_[1.0, model.transform_.basis([gap])[0]]
            both = np.r_[x, -x]
            found.append((1.959964 * np.sqrt(both @ V @ both), x @ (attack - reset)))
    return np.array(found).T


def one_ladder(task):
    seed, options = task
    rng = np.random.default_rng([options["seed"], seed])
    players = simulate.draw_players(TREES[: options["players"]], rng)
    schedule = simulate.round_robin(options["players"], options["rounds"])
    shots = sw.shot_features(simulate.simulate_shots(players, schedule, rng))
    truth = simulate.true_thresholds(players, schedule)
    start = time.perf_counter()
    model = sw.TightnessModel(
        outcome=options["outcome"],
        transform=options["transform"],
        prior_scale=options["prior_scale"],
        **options.get("model", {}),
    ).fit(shots)
    seconds = time.perf_counter() - start
    table = model.thresholds().merge(
        truth.rename(columns={"threshold_m": "truth_m"}).drop(columns="status"),
        on=["player", "side", "family"],
    )
    table["covered"] = [covered(r, r.truth_m) for r in table.itertuples()]
    table["half_width"], table["bias"] = advantage_at(model, table["truth_m"])
    table["too_coarse"] = (
        model.chain_.coarseness_test().too_coarse if options["outcome"] == "value" else False
    )
    return table.assign(
        ladder=seed, shots=len(shots), seconds=seconds, transform=model.transform_.kind
    )


def study(options):
    tasks = [(k, options) for k in range(options["ladders"])]
    with Pool(options["processes"]) as pool:
        return pd.concat(pool.imap(one_ladder, tasks, chunksize=1), ignore_index=True)


def report(table, options):
    by_ladder = table.groupby("ladder")["covered"].mean()
    crosses = table[table["status"] == "crosses"]
    error = crosses["threshold_m"] - crosses["truth_m"]
    width = (crosses["high_m"] - crosses["low_m"]).median()
    return (
        f"{options['outcome']}, {options['transform']}, prior scale {options['prior_scale']}, "
        f"{options['players']} players, {options['rounds']} matches each, "
        f"{table.groupby('ladder')['shots'].first().mean():,.0f} shots a ladder, "
        f"{len(by_ladder)} ladders, {len(table)} sets: "
        f"covered {100 * by_ladder.mean():.1f} in 100 (standard error "
        f"{100 * by_ladder.std() / np.sqrt(len(by_ladder)):.1f}); threshold known for "
        f"{100 * len(crosses) / len(table):.0f} in 100, median width {100 * width:.0f} cm, "
        f"mean error {100 * error.mean():+.1f} cm; by cell "
        + ", ".join(
            f"{side} {family} {100 * share:.1f}"
            for (side, family), share in table.groupby(["side", "family"])["covered"].mean().items()
        )
        + f"; transforms {table.groupby('ladder')['transform'].first().value_counts().to_dict()}; "
        f"{table['seconds'].mean():.1f} s a fit"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ladders", type=int, default=200)
    parser.add_argument("--players", type=int, default=10)
    parser.add_argument("--rounds", type=int, default=4, help="matches each player plays")
    parser.add_argument("--outcome", default="rally", choices=["rally", "value"])
    parser.add_argument("--transform", default="auto")
    parser.add_argument("--prior-scale", type=float, default=0.2)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--out", help="write every set to this CSV file")
    options = vars(parser.parse_args())
    warnings.simplefilter("error", RuntimeWarning)
    table = study(options)
    if options["out"]:
        table.to_csv(options["out"], index=False)
    print(report(table, options))


if __name__ == "__main__":
    main()
