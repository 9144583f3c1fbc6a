"""Processor time and memory of a fit by value: the demonstration log, and a million shots.

The million is simulated: eleven regions of a federation, as in ten_million.py, fewer matches.
It is fitted as one table and from Parquet files of whole matches, and the two must agree to
1e-8. Strokes and situations are told apart throughout. Each fit has a process of its own.

    python tests/benchmarks/fit_by_value.py

Results go to tests/benchmarks/fit_by_value.json. Processor time is that of one thread, so that
other work on the machine counts little.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

import sidewall as sw
from sidewall.scale import from_parquet, write_partitions
from sidewall.simulate import draw_players, simulate_shots, synthetic_data_folder

OUT = Path(__file__).parent / "fit_by_value.json"
PLAYERS, MATCHES = 60, 1030
#: The aims: processor seconds of the demonstration and of a million shots, and megabytes.
DEMO_SECONDS, SECONDS, MEGABYTES = 5.0, 60.0, 2048.0


def million(seed: int = 2026) -> pd.DataFrame:
    """About a million shots of 60 players, who meet others near them on the ladder."""
    rng = np.random.default_rng(seed)
    names = [f"Player {k:02d}" for k in range(PLAYERS)]
    first = rng.integers(0, PLAYERS, MATCHES)
    second = (first + rng.integers(1, 11, MATCHES)) % PLAYERS
    pairs = list(zip(first.tolist(), second.tolist(), strict=True))
    return simulate_shots(draw_players(names, rng), pairs, rng)


def measure(log: str, answers: str) -> None:
    """Fit in this process, keep the answers, and print its times and peak memory."""
    path = Path(log)
    if path.suffix == ".csv":
        shots = sw.read_shots(path)
    else:
        shots = from_parquet(path) if path.is_dir() else pd.read_parquet(path)
    wall, start = time.perf_counter(), time.process_time()
    model = sw.TightnessModel().fit(shots)
    fitted = time.process_time()
    table = model.thresholds()
    found = {
        "shots": model.counted_.shots,
        "players": len(model.players_),
        "fit_cpu_s": round(fitted - start, 2),
        "thresholds_cpu_s": round(time.process_time() - fitted, 2),
        "wall_s": round(time.perf_counter() - wall, 2),
    }
    # Linux's own account: getrusage would start from the peak of the parent process
    status = Path("/proc/self/status").read_text(encoding="ascii")
    found["peak_mb"] = round(int(status.split("VmHWM:")[1].split()[0]) / 1024)
    numbers = model.curves([0.2, 0.5, 1.0]).merge(table, on=["player", "side", "family"])
    numbers.to_pickle(answers)
    print(json.dumps(found))


def apart(one: pd.DataFrame, two: pd.DataFrame) -> float:
    """The largest difference of any number, relative to its size or one if that is more."""
    assert one.select_dtypes(exclude="number").equals(two.select_dtypes(exclude="number"))
    a, b = (table.select_dtypes("number").to_numpy(dtype=float) for table in (one, two))
    assert (np.isnan(a) == np.isnan(b)).all()
    same = (a == b) | np.isnan(a)
    with np.errstate(invalid="ignore"):
        size = np.maximum(np.abs(a), 1.0)
        return float(np.where(same, 0.0, np.abs(a - b) / size).max())


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--measure", nargs=2, help=argparse.SUPPRESS)
    given = ask.parse_args()
    if given.measure:
        measure(*given.measure)
        return
    found = {}
    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        shots = million()
        shots.to_parquet(home / "million.parquet")
        write_partitions(shots, home / "parts", shots_per_part=200_000)
        del shots
        logs = {
            "demonstration": synthetic_data_folder() / "ladder.csv",
            "a million shots": home / "million.parquet",
            "a million shots in parts": home / "parts",
        }
        for name, log in logs.items():
            command = [sys.executable, __file__, "--measure", str(log), str(home / f"{name}.pkl")]
            said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
            found[name] = json.loads(said)
            print(name, found[name], flush=True)
        tables = [pd.read_pickle(home / f"{name}.pkl") for name in list(logs)[1:]]
        found["largest difference of parts"] = apart(*tables)
    record = {
        "command": "python tests/benchmarks/fit_by_value.py",
        "date": dt.date.today().isoformat(),
        "versions": {"sidewall": sw.__version__, "numpy": np.__version__,
                     "python": platform.python_version()},
        "found": found,
    }  # fmt: skip
    OUT.write_text(json.dumps(record, indent=1) + "\n")
    large = [found[name] for name in list(found)[1:3]]
    good = found["demonstration"]["fit_cpu_s"] < DEMO_SECONDS
    good &= all(one["fit_cpu_s"] < SECONDS and one["peak_mb"] < MEGABYTES for one in large)
    good &= found["largest difference of parts"] < 1e-8
    print("within the aims" if good else "NOT within the aims", found)


if __name__ == "__main__":
    main()
