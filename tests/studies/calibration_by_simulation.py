"""Simulation-based calibration of the tightness model's intervals, judged by rally.

The truth is drawn from a prior that is stated in full (`PRIOR`), shots are drawn from
exactly the model, one to a rally, the model is fitted, and the truth is ranked among draws
of the model's normal error distribution: each player's attack and reset curve and their
difference at three gaps, and the metres of gap over which attacking is better, which hang
on the threshold alone. Where ranks are uniform the intervals are right at every level.
(Talts, Betancourt, Simpson, Vehtari & Gelman 2018, arXiv:1804.06788.)

    python tests/studies/calibration_by_simulation.py --simulations 500 --picture ranks.png

Two things are not exactly as in the model: its prior on the population's curves is flat and
this one is normal, though wide beside what the shots leave open; and the spread of matches
is estimated where all else is averaged over.
"""

import argparse
import os
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from planted_shots import Plan, draw, larger

import sidewall as sw
from sidewall.plots.trust import plot_calibration_ranks
from sidewall.trust import check_ranks, simulation_ranks

GAPS = [0.2, 0.5, 1.0]
WIDEST = 1.8
DRAWS = 99

#: Population curves: normal with standard deviation 0.6 around the usual ones, in log odds
#: and per unit of log(1 + gap / 0.25 m). Players and matches: half-normal scales of 0.2.
PRIOR = Plan(players=10, matches=3, shots=60, fixed_spread=0.6)


def quantities(values, basis_at, fine):
    """Curves, gain and the reach of attack from coefficients (..., players, cells, 2, 2)."""
    found = {}
    attack, reset = values[..., 0, :], values[..., 1, :]
    for gap, row in zip(GAPS, basis_at, strict=True):
        found[f"attack at {gap:g} m"] = attack @ row
        found[f"reset at {gap:g} m"] = reset @ row
        found[f"attack minus reset at {gap:g} m"] = (attack - reset) @ row
    better = np.einsum("...k,gk->...g", attack - reset, fine)
    # share of gaps where attacking is better, to a fraction of a step
    a, b = better[..., :-1], better[..., 1:]
    both = np.maximum(a, 0) + np.maximum(b, 0)
    found["metres of gap where attack is better"] = (both / (np.abs(a) + np.abs(b))).sum(axis=-1)
    return found


def rows_of(transform, gaps):
    return np.column_stack([np.ones(len(gaps)), transform.basis(gaps)])


def simulator(plan):
    def simulate(rng):
        truth, shots = draw(plan, rng)
        fine = rows_of(truth.transform, np.linspace(0, WIDEST, 91))
        return quantities(truth.values, rows_of(truth.transform, GAPS), fine), shots

    return simulate


def estimator(prior_scale):
    def estimate(shots, draws, rng):
        model = sw.TightnessModel(outcome="rally", transform="log1p", prior_scale=prior_scale).fit(
            shots
        )
        values, cover = model.coefficients_, model.coefficient_covariance_
        shape = values.shape
        drawn = np.stack(
            [
                rng.multivariate_normal(v.ravel(), V, size=draws, method="eigh")
                for v, V in zip(values, cover, strict=True)
            ],
            axis=1,
        ).reshape(draws, *shape)
        fine = rows_of(model.transform_, np.linspace(0, WIDEST, 91))
        return quantities(drawn, rows_of(model.transform_, GAPS), fine)

    return estimate


def one(task):
    number, plan, prior_scale, seed = task
    return simulation_ranks(
        simulator(plan), estimator(prior_scale), 1, draws=DRAWS, seed=seed, first=number
    )


def report(table):
    rows = []
    checks = {}
    for name, some in table.groupby("quantity", sort=False):
        check = check_ranks(some["rank"], DRAWS, some["simulation"], bins=10)
        checks[name] = check
        first = some[some["position"] == 0]
        rows.append(
            {
                "quantity": name,
                "ranks": check.n,
                "p": check.p_value,
                "p, one rank a simulation": check_ranks(first["rank"], DRAWS, bins=10).p_value,
                "shift z": check.shift_z,
                "spread z": check.spread_z,
                f"covered % (of {100 * check.covered_expected:.0f})": 100 * check.covered,
                "se": 100 * check.covered_se,
                "words": check.words(),
            }
        )
    return pd.DataFrame(rows), checks


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--simulations", type=int, default=500)
    parser.add_argument("--matches", type=int, default=PRIOR.matches)
    parser.add_argument("--players", type=int, default=PRIOR.players)
    parser.add_argument(
        "--prior-scale", type=float, default=0.2, help="of the model, not the truth"
    )
    parser.add_argument("--seed", type=int, default=2029)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--out", help="write every rank to this CSV file")
    parser.add_argument("--picture", help="draw ranks into this file")
    options = parser.parse_args()
    plan = larger(PRIOR, matches=options.matches, players=options.players)
    tasks = [(k, plan, options.prior_scale, options.seed) for k in range(options.simulations)]
    with Pool(options.processes) as pool:
        table = pd.concat(pool.imap(one, tasks, chunksize=1), ignore_index=True)
    if options.out:
        table.to_csv(options.out, index=False)
    summary, checks = report(table)
    print(f"{options.simulations} simulations, {plan}, model prior scale {options.prior_scale}")
    print(summary.round(3).to_string(index=False))
    if options.picture:
        panels = plot_calibration_ranks(checks)
        panels[0].figure.savefig(options.picture)


if __name__ == "__main__":
    main()
