"""Do the intervals of agreement cover the truth, and does SIMEX undo the error of the gap?

    python tests/studies/agreement_coverage.py words --runs 2000
    python tests/studies/agreement_coverage.py lengths --runs 2000
    python tests/studies/agreement_coverage.py bias --runs 12
    python tests/studies/agreement_coverage.py simex --runs 20

`words` and `lengths` draw charters who are good in one rally and bad in the next, and compare
the clustered interval with the textbook's. `bias` asks how much of the error's effect on the
place where the curves cross SIMEX undoes, with all balls of a very large ladder in one plain
logistic regression, charted again and again. `simex` charts simulated ladders, whose
thresholds are solved exactly, with an error of the gap, and fits the tightness model.
"""

import argparse
import os
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record
from scipy.special import expit
from worlds import holds

import sidewall as sw
from sidewall import simulate
from sidewall.agreement import cohen_kappa, intraclass, limits_of_agreement, simex_thresholds
from sidewall.agreement.coefficients import (
    clustered_intraclass,
    clustered_kappa,
    clustered_limits,
    kappa_of,
)
from sidewall.agreement.thresholds import simex as simex_path
from sidewall.features import clustered_rate
from sidewall.rallies.intervals import rally_weights
from sidewall.rallies.value import BEND_M
from sidewall.simulate.charter import second_charter

SHARES = np.array([0.55, 0.2, 0.12, 0.08, 0.05])
DRAWS = 1000
TREES = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"]


def rallies_of(rng, rallies):
    """Rally of each shot; about nine shots a rally."""
    return np.repeat(np.arange(rallies), rng.geometric(1 / 9.0, rallies))


def wrote(rng, truth, slips):
    other = (truth + rng.integers(1, len(SHARES), len(truth))) % len(SHARES)
    return np.where(rng.random(len(truth)) < slips, other, truth)


def word_pairs(rng, rally, mean_slips, spread):
    """Words of two charters whose chance of a slip is one for a rally, shared by both."""
    truth = rng.choice(len(SHARES), p=SHARES, size=len(rally))
    size = mean_slips * (1 - mean_slips) / spread**2 - 1
    slips = rng.beta(mean_slips * size, (1 - mean_slips) * size, rally.max() + 1)[rally]
    return wrote(rng, truth, slips), wrote(rng, truth, slips)


def words(options):
    k, rows = len(SHARES), []
    for rallies in (25, 60, 120):
        for mean_slips, spread in ((0.02, 0.03), (0.08, 0.1), (0.08, 0.01)):
            rng = np.random.default_rng([options["seed"], rallies])
            one, two = word_pairs(rng, rallies_of(rng, 200_000), mean_slips, spread)
            true = float(kappa_of(np.bincount(one * k + two, minlength=k * k).reshape(k, k)))
            hits = np.zeros((options["runs"], 3))
            for run in range(options["runs"]):
                rally = rallies_of(rng, rallies)
                one, two = word_pairs(rng, rally, mean_slips, spread)
                counts = np.zeros((rallies, k * k))
                np.add.at(counts, (rally, one * k + two), 1.0)
                counts = counts.reshape(-1, k, k)
                same = (one == two).astype(float)
                low = clustered_rate(same, rally, np.zeros_like(rally), 1).low[0]
                weights = rally_weights(np.zeros(rallies), DRAWS, rng)
                found = clustered_kappa(counts, weights, low)
                book = cohen_kappa(counts.sum(axis=0))
                drawn = kappa_of((weights @ counts.reshape(rallies, -1)).reshape(-1, k, k))
                ends = np.quantile(drawn, [0.025, 0.975])
                hits[run] = (
                    found.low <= true <= found.high,
                    book.low <= true <= book.high,
                    ends[0] <= true <= ends[1],
                )
            clustered, book, quantiles = 100 * hits.mean(axis=0)
            rows.append(
                {"rallies": rallies, "slips": mean_slips, "slips_sd": spread, "kappa": true}
                | {"covered": clustered, "textbook": book, "quantiles_of_draws": quantiles}
            )
    return rows


def lengths(options):
    sigma, rows = 0.05, []
    for rallies in (25, 60, 120):
        for tau in (0.0, 0.05):
            rng = np.random.default_rng([options["seed"], rallies])
            sd = np.hypot(tau, sigma) * np.sqrt(2)
            true = {"bias": 0.0, "lower": -1.959964 * sd, "upper": 1.959964 * sd, "sd": sd}
            spread = np.exp(0.6**2) * (np.exp(0.6**2) - 1) * 0.3**2
            icc = spread / (spread + sd**2 / 2)
            names = [*true, "icc"]
            hits = {name: np.zeros(2) for name in names}
            for _ in range(options["runs"]):
                rally = rallies_of(rng, rallies)
                gap = 0.3 * np.exp(0.6 * rng.standard_normal(len(rally)))
                one, two = (
                    gap + rng.normal(0, tau, rallies)[rally] + rng.normal(0, sigma, len(rally))
                    for _ in range(2)
                )
                weights = rally_weights(np.zeros(rallies), DRAWS, rng)
                tables = clustered_limits(one - two, rally, weights), limits_of_agreement(one - two)
                for at, table in enumerate(tables):
                    for name in table.index:
                        low, high = table.loc[name, ["value_low", "value_high"]]
                        hits[name][at] += low <= true[name] <= high
                forms = (
                    clustered_intraclass(one, two, rally, weights),
                    intraclass(np.column_stack([one, two])),
                )
                for at, table in enumerate(forms):
                    low, high = table.loc["ICC(2,1)", ["icc_low", "icc_high"]]
                    hits["icc"][at] += low <= icc <= high
            row = {"rallies": rallies, "shared_error_cm": 100 * tau}
            for name, (clustered, book) in (100 * pd.DataFrame(hits) / options["runs"]).items():
                row |= {f"{name}_covered": clustered, f"{name}_textbook": book}
            rows.append(row)
    return rows


def bias(options):
    players = simulate.draw_players(TREES, np.random.default_rng(12))
    schedule = simulate.round_robin(len(TREES), 40)
    shots = sw.shot_features(simulate.simulate_shots(players, schedule, rng=23))
    used = shots["gap_m"].notna() & shots["won"].notna() & shots["choice"].notna()
    shots = shots[used].reset_index(drop=True)
    attack, won = (shots["choice"] == "attack").to_numpy(dtype=float), shots["won"].to_numpy()

    def curves(gap_m):
        h = np.log1p(gap_m / BEND_M)
        X = np.column_stack([np.ones_like(h), h, attack, attack * h])
        b = np.zeros(4)
        for _ in range(5):
            p = expit(X @ b)
            inverse = np.linalg.inv((X * (p * (1 - p))[:, None]).T @ X)
            b = b + inverse @ X.T @ (won - p)
        return b[2:], inverse[2:, 2:]

    def crossing_cm(d):
        return 100 * BEND_M * np.expm1(-d[0] / d[1])

    clean = curves(shots["gap_m"].to_numpy())[0]
    rows = [
        {"error_cm": 0, "shots": len(shots), "slope": clean[1], "crossing_cm": crossing_cm(clean)}
    ]
    for sd in (0.05, 0.10, 0.15):
        found = []
        for run in range(options["runs"]):
            rng = np.random.default_rng([options["seed"], run])
            gap = np.abs(shots["gap_m"] + rng.normal(0, sd, len(shots)))
            path = simex_path(curves, gap, sd, n=4, seed=rng, turned_back=True)
            answers = [path.estimates[0, 0], *(path.at_no_error(degree)[0] for degree in (1, 2))]
            found.append([(d[1], crossing_cm(d)) for d in answers])
        mean, se = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / np.sqrt(options["runs"])
        for name, m, s in zip(("as charted", "linear", "quadratic"), mean, se, strict=True):
            row = {"error_cm": 100 * sd, "extrapolation": name, "slope": m[0], "slope_se": s[0]}
            rows.append(row | {"crossing_cm": m[1], "crossing_se_cm": s[1]})
    return rows


def one_ladder(task):
    run, options = task
    rng = np.random.default_rng([options["seed"], run])
    players = simulate.draw_players(TREES, rng)
    schedule = simulate.round_robin(len(TREES), options["rounds"])
    shots = simulate.simulate_shots(players, schedule, rng)
    truth = simulate.true_thresholds(players, schedule).rename(columns={"threshold_m": "truth_m"})
    keys = ["player", "side", "family"]
    noisy = second_charter(shots, miss=0, confuse=0, gap_sd_m=options["gap_sd"], seed=rng)
    model = sw.TightnessModel(outcome=options["outcome"], draws=200)
    table = simex_thresholds(noisy, options["gap_sd"], model, n=options["draws"], seed=rng)
    clean = model.fit(shots).thresholds()
    clean = clean[[c for c in table.columns if c in clean.columns]].assign(extrapolation="no error")
    both = pd.concat([table, clean]).merge(truth[[*keys, "truth_m"]], on=keys)
    both["covered"] = [holds(row, row.truth_m) for row in both.itertuples()]
    return both.assign(ladder=run)


def simex(options):
    tasks = [(run, options) for run in range(options["runs"])]
    with Pool(options["processes"]) as pool:
        table = pd.concat(pool.imap(one_ladder, tasks, chunksize=1), ignore_index=True)
    keys = ["ladder", "player", "side", "family"]
    table["known"] = table["threshold_m"].notna()
    in_all = table.groupby(keys)["known"].transform("all")
    table["error_cm"] = 100 * (table["threshold_m"] - table["truth_m"]).where(in_all)
    table["width_cm"] = 100 * (table["threshold_high_m"] - table["threshold_low_m"]).where(in_all)
    by = table.groupby(["extrapolation", "ladder"])[
        ["covered", "known", "error_cm", "width_cm"]
    ].mean()
    mean = by.groupby("extrapolation").mean()
    se = by.groupby("extrapolation").std() / np.sqrt(options["runs"])
    found = mean.join(se, rsuffix="_se").reset_index()
    return found.assign(ladders=options["runs"], sets=len(table) // 4)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["words", "lengths", "bias", "simex"])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=2031)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--gap-sd", type=float, default=0.10)
    parser.add_argument("--rounds", type=int, default=4)
    parser.add_argument("--draws", type=int, default=10)
    parser.add_argument("--outcome", default="value", choices=["value", "rally"])
    options = vars(parser.parse_args())
    study = {"words": words, "lengths": lengths, "bias": bias, "simex": simex}[options["what"]]
    record(f"agreement_{options['what']}", study(options), options["seed"])


if __name__ == "__main__":
    main()
