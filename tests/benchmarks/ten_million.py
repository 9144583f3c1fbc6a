"""Ten million shots from Parquet to thresholds: wall time and peak memory.

Run ``python tests/benchmarks/ten_million.py [FOLDER] [--outcome value] [--processes 1 2]``. The
log is simulated and written first (60 s, 51 files, 180 MB), and kept where a folder is named.
The aim is two minutes and 1.6 GB a ten million shots on two cores. With ``--record`` the runs are
kept in ``ten_million.json``; memory counts pages that processes share once for each.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

import sidewall as sw
from sidewall.scale import from_parquet, write_partitions
from sidewall.simulate import draw_players, simulate_shots

REGIONS, PLAYERS, MATCHES = 11, 91, 1040
TREES = "Alder Ash Birch Cedar Elm Hazel Holly Larch Oak Rowan Willow".split()  # noqa: SIM905
#: The aim for ten million shots, on two cores.
MOST_SECONDS, MOST_MB = 120.0, 1638.0
OUT = Path(__file__).parent / "ten_million.json"


def regions(seed: int = 2026) -> Iterator[pd.DataFrame]:
    """Simulated regions of a federation; players meet others near them on the ladder."""
    rng = np.random.default_rng(seed)
    for region in range(REGIONS):
        names = [f"{TREES[region]} {k:02d}" for k in range(PLAYERS)]
        first = rng.integers(0, PLAYERS, MATCHES)
        second = (first + rng.integers(1, 11, MATCHES)) % PLAYERS
        matches = [f"{TREES[region]} match {k:04d}" for k in range(MATCHES)]
        yield simulate_shots(
            draw_players(names, rng),
            list(zip(first.tolist(), second.tolist(), strict=True)),
            rng,
            match_names=matches,
        )


def measure(folder: str, outcome: str, processes: int) -> None:
    """Fit in this process; print the steps' times and the peak memory as JSON."""
    import psutil  # noqa: PLC0415 - only the benchmark needs it

    peak, done, me = [0.0], threading.Event(), psutil.Process()

    def watch() -> None:
        while not done.wait(0.25):
            family = [me, *me.children(recursive=True)]
            memory = 0.0
            for one in family:
                try:
                    memory += one.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            peak[0] = max(peak[0], memory / 2**20)

    watcher = threading.Thread(target=watch)
    watcher.start()
    start = time.perf_counter()
    shots = from_parquet(folder, processes if processes > 1 else None, columns=[])
    opened = time.perf_counter()
    model = sw.TightnessModel(outcome=outcome, draws=200).fit(shots)  # type: ignore[arg-type]
    fitted = time.perf_counter()
    table = model.thresholds()
    ended = time.perf_counter()
    done.set()
    watcher.join()
    known = float((table["status"] == "crosses").mean())
    print(
        json.dumps(
            {
                "shots": shots.shots,
                "players": len(model.players_),
                "distinct rows": len(model.counted_.n),
                "open": opened - start,
                "fit": fitted - opened,
                "thresholds": ended - fitted,
                "seconds": ended - start,
                "peak MB": peak[0],
                "known": known,
            }
        )
    )


def main() -> None:
    """Make the log if it is not there, measure in a process of its own, print a table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("folder", nargs="?", help="kept there, and used again")
    ask.add_argument("--outcome", default="value", choices=["value", "rally"])
    ask.add_argument("--processes", type=int, nargs="+", default=[1])
    ask.add_argument("--record", action="store_true", help=f"keep the runs in {OUT.name}")
    ask.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    given = ask.parse_args()
    if given.measure:
        measure(given.folder, given.outcome, *given.processes)
        return
    with tempfile.TemporaryDirectory() as made:
        folder = Path(given.folder or made)
        if not any(folder.glob("*.parquet")):
            start = time.perf_counter()
            files = write_partitions(regions(), folder)
            print(f"made {len(files)} files in {time.perf_counter() - start:.0f} s")
        runs = [run(folder, given.outcome, processes) for processes in given.processes]
    print(pd.DataFrame(runs).T.to_string(header=False, float_format="{:,.2f}".format))
    times = runs[-1]["shots"] / 1e7
    good = runs[-1]["seconds"] < times * MOST_SECONDS and runs[-1]["peak MB"] < MOST_MB
    print("within the aim" if good else f"the aim is {MOST_SECONDS:.0f} s and {MOST_MB:.0f} MB")
    if given.record:
        processes = " ".join(map(str, given.processes))
        command = f"python tests/benchmarks/ten_million.py --processes {processes} --record"
        kept = {
            "command": command,
            "outcome": given.outcome,
            "date": f"{dt.date.today()}",
            "runs": runs,
        }
        OUT.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


def run(folder: Path, outcome: str, processes: int) -> dict[str, float]:
    """Measure in a process of its own."""
    command = [sys.executable, __file__, str(folder), "--measure"]
    command += ["--outcome", outcome, "--processes", str(processes)]
    found = subprocess.run(command, check=True, capture_output=True).stdout
    return {"processes": processes} | json.loads(found)


if __name__ == "__main__":
    main()
