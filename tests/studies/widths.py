"""How wide are threshold sets beside those of an earlier state of this program?

Both are given the same logs of simulated clubs, written as CSV: this program here, the earlier
one in a process of its own, from a folder into which it was checked out.

    git worktree add --detach ../before 3bfe8fe
    python tests/studies/widths.py --before ../before --clubs 10 --matches 3

3bfe8fe is the last state with one stiff curve for each choice and one chain of bands for the
value of a ball.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from decisions_coverage import NAMES
from records import record
from worlds import CELL, WORLDS, holds

import sidewall as sw
from sidewall.simulate import (
    draw_players,
    round_robin,
    simulate_shots,
    to_log,
    true_thresholds,
)

ASKED = ("plain", "steep curves", "bent curves", "carry over, hidden")
ENDS = ["threshold_low_m", "threshold_high_m"]
EARLIER = """
import sys, sidewall as sw
assert sys.argv[3] in sw.__file__, sw.__file__
shots = sw.read_shots(sys.argv[1])
sw.TightnessModel(outcome="value").fit(shots).thresholds().to_csv(sys.argv[2], index=False)
"""
ABOUT = (
    "Threshold sets by side and way of meeting the ball, by value, of the same logs: in 100, with "
    "the standard error over clubs, how many hold the truth, how many have a gap, and the median "
    "width of those that have one in both programs."
)


def by_earlier(log, folder, before):
    """Thresholds that the earlier program gives."""
    log.to_csv(folder / "log.csv", index=False)
    package = str((before / "profiling").resolve())
    asked = [sys.executable, "-c", EARLIER, folder / "log.csv", folder / "found.csv", package]
    subprocess.run(asked, check=True, env={**os.environ, "PYTHONPATH": package})
    table = pd.read_csv(folder / "found.csv")
    return table.rename(columns={"low_m": ENDS[0], "high_m": ENDS[1]})


def one_club(name, matches, seed, number, before):
    """Sets of both programs beside the truth."""
    rng = np.random.default_rng([seed, number])
    players = draw_players(NAMES, rng, 1.0, WORLDS[name])
    schedule = round_robin(len(players), matches)
    log = to_log(simulate_shots(players, schedule, rng, WORLDS[name]))
    truth = true_thresholds(players, schedule, WORLDS[name])[[*CELL, "threshold_m"]]
    now = sw.TightnessModel().fit(sw.read_shots(log)).thresholds()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        earlier = by_earlier(log, Path(folder), before)
    for program, table in (("now", now), ("before", earlier)):
        both = table.merge(truth, on=CELL, suffixes=("", "_true"))
        for row in both.itertuples():
            rows.append(
                {
                    "program": program,
                    "club": number,
                    "cell": (row.player, row.side, row.family),
                    "held": holds(row, row.threshold_m_true),
                    "width": row.threshold_high_m - row.threshold_low_m
                    if row.status == "crosses"
                    else np.nan,
                }
            )
    return rows


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--before", type=Path, required=True)
    ask.add_argument("--clubs", type=int, default=10)
    ask.add_argument("--matches", type=int, default=3)
    ask.add_argument("--seed", type=int, default=20261127)
    asked = ask.parse_args()
    found = []
    for name in ASKED:
        rows = []
        for k in range(asked.clubs):
            rows += one_club(name, asked.matches, asked.seed, k, asked.before)
        table = pd.DataFrame(rows)
        width = table.pivot_table("width", ["club", "cell"], "program")
        shared = 100 * width[np.isfinite(width).all(axis=1)].median()
        for program, own in table.groupby("program", sort=False):
            by = 100 * own.groupby("club")["held"].mean().astype(float)
            error = by.std(ddof=1) / np.sqrt(len(by))
            found.append(
                {
                    "world": name,
                    "program": program,
                    "clubs": asked.clubs,
                    "sets": len(own),
                    "held": f"{by.mean():.1f} ({error:.1f})",
                    "known": 100 * own["width"].notna().mean(),
                    "width_cm": shared[program],
                }
            )
        record(f"widths_{asked.matches}", found, asked.seed, about=ABOUT)


if __name__ == "__main__":
    main()
