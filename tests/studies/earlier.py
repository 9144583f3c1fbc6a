"""How does this program do beside an earlier state of itself?

Both are given the same logs, written as CSV: this program here, the earlier one in a process of
its own, from a folder into which it was checked out. Of simulated clubs: how wide threshold sets
are, and how many hold the truth. Of the demonstration's log: the log loss of matches held out.

    git worktree add --detach ../before 3bfe8fe
    python tests/studies/earlier.py --before ../before --clubs 10 --matches 3
    python tests/studies/earlier.py --before ../before --held-out

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
from records import record
from worlds import CELL, NAMES, WORLDS, holds

import sidewall as sw
from sidewall.simulate import (
    draw_players,
    round_robin,
    simulate_shots,
    synthetic_data_folder,
    to_log,
    true_thresholds,
)

ASKED = ("plain", "steep curves", "bent curves", "carry over, hidden")
ENDS = ["threshold_low_m", "threshold_high_m"]
EARLIER = """
import sys, sidewall as sw
assert sys.argv[3] in sw.__file__, sw.__file__
model = sw.TightnessModel(outcome="value").fit(sw.read_shots(sys.argv[1]))
asked = model.thresholds if sys.argv[4] == "sets" else lambda: model.diagnostics().held_out
asked().reset_index().to_csv(sys.argv[2], index=False)
"""
ABOUT = (
    "Threshold sets by side and way of meeting the ball, by value, of the same logs: in 100, with "
    "the standard error over clubs, how many hold the truth, how many have a gap, and the median "
    "width of those that have one in both programs."
)
ABOUT_HELD_OUT = (
    "Attacks and resets of the demonstration's log, by value: log loss of each match predicted "
    "from the others, its standard error by rally, and by how much the model's own is lower."
)


def by_earlier(log, before, what):
    """What the earlier program says of a log: its threshold "sets", or "held out" log losses."""
    package = str((before / "profiling").resolve())
    with tempfile.TemporaryDirectory() as folder:
        names = Path(folder) / "log.csv", Path(folder) / "found.csv"
        log.to_csv(names[0], index=False)
        asked = [sys.executable, "-c", EARLIER, *names, package, what]
        subprocess.run(asked, check=True, env={**os.environ, "PYTHONPATH": package})
        return pd.read_csv(names[1]).rename(columns={"low_m": ENDS[0], "high_m": ENDS[1]})


def one_club(name, matches, seed, number, before):
    """Sets of both programs beside the truth."""
    rng = np.random.default_rng([seed, number])
    players = draw_players(NAMES, rng, 1.0, WORLDS[name])
    schedule = round_robin(len(players), matches)
    log = to_log(simulate_shots(players, schedule, rng, WORLDS[name]))
    truth = true_thresholds(players, schedule, WORLDS[name])[[*CELL, "threshold_m"]]
    now = sw.TightnessModel().fit(sw.read_shots(log)).thresholds()
    rows = []
    earlier = by_earlier(log, before, "sets")
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


def held_out(before):
    """Log loss of the demonstration's matches, each predicted from the others."""
    path = synthetic_data_folder() / "ladder.csv"
    now = sw.TightnessModel().fit(sw.read_shots(path)).diagnostics().held_out.reset_index()
    earlier = by_earlier(pd.read_csv(path, dtype=str), before, "held out")
    rows = []
    for program, table in (("now", now), ("before", earlier)):
        for row in table.to_dict("records"):
            rows.append({"program": program, **row})
    record("held_out", rows, None, about=ABOUT_HELD_OUT)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--before", type=Path, required=True)
    ask.add_argument("--clubs", type=int, default=10)
    ask.add_argument("--matches", type=int, default=3)
    ask.add_argument("--seed", type=int, default=20261127)
    ask.add_argument("--held-out", action="store_true")
    asked = ask.parse_args()
    if asked.held_out:
        held_out(asked.before)
        return
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
