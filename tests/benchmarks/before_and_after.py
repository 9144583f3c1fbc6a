"""What a coach waits for, in this program and in an earlier state of it.

Both run the same commands in turn, in one go, on the same log, beside the import of pandas and
matplotlib.pyplot, which no page can do without. The second player's page finds what the first
one kept. The earlier state is a folder into which it was checked out.

    git worktree add --detach ../before 3bfe8fe
    python tests/benchmarks/before_and_after.py --before ../before

Results go to tests/benchmarks/before_and_after.json: seconds on the clock, on a machine with
nothing else to do, and of processor time, with all processes that a command starts.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from steps import write_inputs

HERE = Path(__file__).parent
OUT = HERE / "before_and_after.json"
TREES = ("before", "after")
IMPORTS = "import pandas, matplotlib.pyplot"
SHOTS = 100_000


def commands(log: Path, folder: Path) -> dict[str, list[str]]:
    """What is timed, in the order in which it is run."""
    command = ["-c", "from sidewall.cli import main; main()"]
    page = [*command, "report", str(log), "--out", str(folder / "page.html"), "--player"]
    alone = [str(HERE / "steps.py")]
    return {
        "import pandas and pyplot": ["-c", IMPORTS],
        "report of one player": [*page, "Rowan"],
        "a second player's page": [*page, "Hazel"],
        "demo": [*command, "demo", "--out", str(folder / "demo")],
        f"read {SHOTS:,} shots": [*alone, "read and check a CSV", str(folder), str(SHOTS)],
        f"pooled fit, {SHOTS:,} rows, no two equal": [
            *alone,
            "fit, no two rows equal",
            str(folder),
            str(SHOTS),
        ],
    }


def seconds_of(arguments: list[str], tree: Path, folder: Path) -> tuple[float, float]:
    """Seconds of a command on the clock, and of the processor with what it starts."""
    environment = os.environ | {
        "PYTHONPATH": str(tree / "profiling"),
        "XDG_CACHE_HOME": str(folder / "cache"),
        "OPENBLAS_NUM_THREADS": "1",
        "MPLBACKEND": "Agg",
    }
    clock, start = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *arguments], check=True, cwd=folder, env=environment, capture_output=True
    )
    waited, end = time.perf_counter() - clock, resource.getrusage(resource.RUSAGE_CHILDREN)
    return waited, end.ru_utime + end.ru_stime - start.ru_utime - start.ru_stime


def main() -> None:
    """Time everything in both trees, and keep the medians."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--before", type=Path, required=True)
    ask.add_argument("--rounds", type=int, default=3)
    asked = ask.parse_args()
    trees = dict(zip(TREES, (asked.before.resolve(), HERE.parents[1]), strict=True))
    found: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for _ in range(asked.rounds):
        for name, tree in trees.items():
            with tempfile.TemporaryDirectory() as made:
                folder = Path(made)
                write_inputs(folder, SHOTS)
                log = trees["after"] / "synthetic_data" / "ladder.csv"
                for what, arguments in commands(log, folder).items():
                    took = seconds_of(arguments, tree, folder)
                    found.setdefault(what, {}).setdefault(name, []).append(took)
                    print(f"{name:7} {what:45} {took[0]:7.2f} s {took[1]:7.2f} s", flush=True)
    rows = []
    for what, took in found.items():
        row = {"what": what}
        for name in TREES:
            middle = [round(statistics.median(one), 2) for one in zip(*took[name], strict=True)]
            row |= {f"{name}_s": middle[0], f"{name}_cpu_s": middle[1]}
        rows.append(row)
    for row in rows:
        row["times_imports"] = round(row["after_s"] / rows[0]["after_s"], 1)
    versions = {"python": platform.python_version(), "rounds": asked.rounds}
    content = {
        "command": "python tests/benchmarks/before_and_after.py --before ../before",
        "date": dt.datetime.now(dt.UTC).date().isoformat(),
        "versions": versions,
        "found": rows,
    }
    part = OUT.with_suffix(".part")
    part.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    os.replace(part, OUT)


if __name__ == "__main__":
    main()
