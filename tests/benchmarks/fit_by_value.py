"""Processor time and memory of a fit by value: the demonstration, a million shots, many players.

The million is simulated: eleven regions of a federation, as in ten_million.py, fewer matches.
It is fitted as one table and from Parquet files of whole matches, and the two must agree to
1e-8. Then about as many shots are played by more and more players. Strokes and situations are
told apart throughout. Each fit has a process of its own.

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
#: As many shots, give or take a third, of so many players; of the third at most so many times
#: the processor time of the first.
MANY, MANY_SHOTS, MANY_TIMES = (100, 1000, 5000, 10_000), 100_000, 3.0


def million(seed: int = 2026) -> pd.DataFrame:
    """About a million shots of 60 players, who meet others near them on the ladder."""
    rng = np.random.default_rng(seed)
    names = [f"Player {k:02d}" for k in range(PLAYERS)]
    first = rng.integers(0, PLAYERS, MATCHES)
    second = (first + rng.integers(1, 11, MATCHES)) % PLAYERS
    pairs = list(zip(first.tolist(), second.tolist(), strict=True))
    return simulate_shots(draw_players(names, rng), pairs, rng)


def many_players(players: int, seed: int = 9) -> pd.DataFrame:
    """About 100,000 shots, of which each player has as many, in one short match or in some.

    Of 10,000 players a match is a rally or two.
    """
    rng = np.random.default_rng(seed)
    drawn = draw_players([f"Player {k:04d}" for k in range(players)], rng)
    matches = max(players // 2, 110)
    order = [int(k) for _ in range(2 * matches // players + 1) for k in rng.permutation(players)]
    pairs = list(zip(order[: 2 * matches : 2], order[1 : 2 * matches : 2], strict=True))
    table = simulate_shots(drawn, [(one, two) for one, two in pairs if one != two], rng)
    first = table.groupby("match", observed=True).cumcount() - table["shot"] + 1
    return table[first < MANY_SHOTS / matches].reset_index(drop=True)


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


def measured(log: Path, answers: Path) -> dict[str, float]:
    """What a fit of a log took in a process of its own."""
    command = [sys.executable, __file__, "--measure", str(log), str(answers)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout))


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
        for players in MANY:
            logs[f"{players:,} players"] = home / f"{players}.parquet"
            many_players(players).to_parquet(home / f"{players}.parquet")
        for name, log in logs.items():
            found[name] = measured(log, home / f"{name}.pkl")
            print(name, found[name], flush=True)
        tables = [pd.read_pickle(home / f"{name}.pkl") for name in list(logs)[1:3]]
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
    fewest, most = (found[f"{players:,} players"]["fit_cpu_s"] for players in MANY[::2])
    good = found["demonstration"]["fit_cpu_s"] < DEMO_SECONDS
    good &= all(one["fit_cpu_s"] < SECONDS and one["peak_mb"] < MEGABYTES for one in large)
    good &= found["largest difference of parts"] < 1e-8 and most < MANY_TIMES * fewest
    print("within the aims" if good else "NOT within the aims", found)


if __name__ == "__main__":
    main()
