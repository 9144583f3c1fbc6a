"""The curves beside those of mgcv (Wood 2017, Generalized Additive Models, 2nd ed.), same shots.

Both fit the chance of winning the rally, attack and reset apart: a smooth curve in the gap
common to all, by side and contact, and a smooth curve of each player's own around it; the
difference of the two players' strengths is a known offset in both. Ours draws the posterior
under its priors; mgcv has cubic splines and factor-smooth curves (``bs = "fs"``) with spreads
by fast REML, and Bayesian bands at them. Recorded for each choice: how far the curves lie
apart, how wide the 95% bands are, and how near and how often within them the simulation's
exact chance lies.

    python tests/studies/against_mgcv.py --clubs 8 --matches 10

Needs R with mgcv (``apt-get install r-base-core r-cran-mgcv``); says so where it is missing.
"""

import argparse
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record
from scipy.special import expit
from worlds import NAMES

import sidewall as sw
from sidewall.models.curves import side_and_volley
from sidewall.rallies.value import gap_scale
from sidewall.simulate import World, draw_players, round_robin, simulate_shots, true_curves

GAPS_M = (0.1, 0.2, 0.35, 0.5, 0.75, 1.0)
CELL = ["player", "side", "family"]
FIT_IN_R = """
library(mgcv)
names <- commandArgs(trailingOnly = TRUE)
shots <- read.csv(names[1]); ask <- read.csv(names[2])
for (d in c("shots", "ask")) {
  t <- get(d); t$player <- factor(t$player, levels = sort(unique(shots$player))); assign(d, t)
}
found <- list()
for (choice in c("attack", "reset")) {
  fit <- bam(won ~ side + volley + side:volley + s(h, k = 6, bs = "cr")
             + s(h, by = side, k = 6, bs = "cr") + volley:h
             + s(h, player, bs = "fs", k = 5) + s(player, by = side, bs = "re")
             + s(player, by = volley, bs = "re") + offset(lead),
             family = binomial(), data = shots[shots$choice == choice, ], method = "fREML")
  p <- predict(fit, ask, se.fit = TRUE)
  found[[choice]] <- cbind(ask, choice = choice, eta = p$fit, se = p$se.fit)
}
write.csv(do.call(rbind, found), names[3], row.names = FALSE)
cat(as.character(packageVersion("mgcv")))
"""


def missing():
    """What is missing, in words; empty where R and mgcv are there."""
    if shutil.which("Rscript") is None:
        return "R is not installed (no Rscript on the path)"
    ask = ["Rscript", "-e", "quit(status = !requireNamespace('mgcv', quietly = TRUE))"]
    there = subprocess.run(ask, check=False, capture_output=True).returncode == 0
    return "" if there else "R is installed without mgcv"


def theirs(shots, ask):
    """Predictions of mgcv on the log-odds scale with their errors, and its version."""
    with tempfile.TemporaryDirectory() as folder:
        names = [
            str(Path(folder) / name) for name in ("shots.csv", "ask.csv", "found.csv", "fit.R")
        ]
        shots.to_csv(names[0], index=False)
        ask.to_csv(names[1], index=False)
        Path(names[3]).write_text(FIT_IN_R, encoding="ascii")
        command = ["Rscript", names[3], *names[:3]]
        version = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        return pd.read_csv(names[2]), version


def one_club(number, matches, seed, draws):
    """Both programs' curves and the truth, a row for each cell, choice and gap."""
    rng = np.random.default_rng([seed, number])
    players = draw_players(NAMES, rng, 1.0, World())
    schedule = round_robin(len(players), matches)
    shots = simulate_shots(players, schedule, rng, World())
    model = sw.TightnessModel(
        outcome="rally", situation=(), strokes=False, draws=draws, seed=number
    ).fit(shots)
    used = model.used_
    side, volley = side_and_volley(used)
    columns = {"side": side, "volley": volley, "h": gap_scale(used["gap_m"])}
    given = used[["player", "choice", "won"]].astype({"player": str, "choice": str})
    given = given.assign(lead=model.strengths_.difference(used), **columns)
    ours = model.curves(GAPS_M)
    side, volley = side_and_volley(ours)
    lead = pd.Series(model.lead_, model.players_)[ours["player"]].to_numpy()
    columns = {"side": side, "volley": volley, "h": gap_scale(ours["gap_m"]), "lead": lead}
    other, version = theirs(given, pd.DataFrame({"player": ours["player"], **columns}))
    truth = true_curves(players, schedule, World(), GAPS_M)
    truth = truth.pivot_table("win_probability", [*CELL, "gap_m"], "choice").reset_index()
    rows = []
    for choice in ("attack", "reset"):
        r = other[other["choice"] == choice]
        eta, se = r["eta"].to_numpy(), r["se"].to_numpy()
        table = ours[[*CELL, "gap_m"]].assign(
            choice=choice, ours=ours[choice], low=ours[f"{choice}_low"],
            high=ours[f"{choice}_high"], mgcv=expit(eta), mgcv_low=expit(eta - 1.96 * se),
            mgcv_high=expit(eta + 1.96 * se),
        )  # fmt: skip
        true = truth[[*CELL, "gap_m", choice]].rename(columns={choice: "true"})
        rows.append(table.merge(true, on=[*CELL, "gap_m"]))
    return pd.concat(rows).assign(club=number), version, platform.python_version()


def summed(table):
    """Sizes in rallies in 100; shares with their standard error over clubs."""
    found = {}
    for choice, some in table.groupby("choice"):
        line = {"n": len(some)}
        apart = 100 * (some["ours"] - some["mgcv"])
        line["apart_mean"], line["apart_rms"] = apart.mean(), np.sqrt((apart**2).mean())
        for name, low, high in (("ours", "low", "high"), ("mgcv", "mgcv_low", "mgcv_high")):
            held = some["true"].between(some[low], some[high]).groupby(some["club"]).mean()
            line |= {
                f"{name}_width": 100 * (some[high] - some[low]).median(),
                f"{name}_error_rms": 100 * np.sqrt(((some[name] - some["true"]) ** 2).mean()),
                f"{name}_held": 100 * held.mean(),
                f"{name}_held_se": 100 * held.std(ddof=1) / np.sqrt(len(held)),
            }
        found[choice] = {name: round(float(value), 2) for name, value in line.items()}
    return found


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--clubs", type=int, default=8)
    ask.add_argument("--matches", type=int, default=10)
    ask.add_argument("--draws", type=int, default=400)
    ask.add_argument("--seed", type=int, default=20261126)
    asked = ask.parse_args()
    if why := missing():
        sys.exit(f"not run: {why}; apt-get install r-base-core r-cran-mgcv")
    parts = [one_club(k, asked.matches, asked.seed, asked.draws) for k in range(asked.clubs)]
    found = summed(pd.concat([part[0] for part in parts]))
    rows = [{"choice": choice} | row for choice, row in found.items()]
    record("against_mgcv", rows, asked.seed, about=f"mgcv {parts[0][1]}; rallies in 100.")


if __name__ == "__main__":
    main()
