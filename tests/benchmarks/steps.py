"""The steps that are measured, and a way to run one of them alone: ``steps.py STEP FOLDER N``."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import sidewall as sw
from sidewall.simulate import synthetic_data_folder

PLAYERS = 60


def write_inputs(folder: Path, n: int) -> None:
    """Write a log of about n shots, its checked table, and rows for a pooled fit."""
    log = pd.read_csv(synthetic_data_folder() / "ladder.csv", dtype={"match": str})
    copies = [log.assign(match=log["match"] + f" copy {k}") for k in range(1 + (n - 1) // len(log))]
    many = pd.concat(copies, ignore_index=True)
    # the last rally that starts within n shots is kept whole
    after = np.flatnonzero((many["shot"] == 1) & (many.index >= n))
    many = many.iloc[: after[0]] if len(after) else many
    many.to_csv(folder / f"log-{n}.csv", index=False)
    sw.read_shots(many).to_pickle(folder / f"shots-{n}.pkl")
    for name, decimals in (("typed", 2), ("exact", 12)):
        rows = pooled_rows(n, decimals, np.random.default_rng(n))
        np.savez(folder / f"{name}-{n}.npz", **rows)


def pooled_rows(n: int, decimals: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Shots of 60 players whose level, attack, gap slope and product of both differ by player.

    With gaps of two decimals, whole centimetres as they are typed, many rows are equal.
    """
    player = rng.integers(0, PLAYERS, n)
    h = np.clip(np.round(rng.gamma(2.0, 0.3, n), decimals), 0.0, 3.2) - 0.5
    attack = (rng.random(n) < 0.3) - 0.5
    side = rng.integers(0, 2, n) - 0.5
    one = np.ones(n)
    both = attack * h
    X = np.column_stack([one, side, attack, h, both, side * attack, side * h, side * both])
    Z = np.column_stack([one, attack, h, both])
    own = rng.normal(0.0, [0.3, 0.3, 0.4, 0.4], (PLAYERS, 4))
    eta = X @ np.array([-0.2, 0.1, -0.2, 0.3, 0.9, 0.1, 0.1, 0.0]) + np.sum(Z * own[player], axis=1)
    y = rng.random(n) < 1.0 / (1.0 + np.exp(-eta))
    return {"y": y.astype(float), "X": X, "Z": Z, "groups": player}


def read_log(folder: Path, n: int) -> Callable[[], Any]:
    path = folder / f"log-{n}.csv"
    return lambda: sw.read_shots(path)


def features(folder: Path, n: int) -> Callable[[], Any]:
    shots = pd.read_pickle(folder / f"shots-{n}.pkl")
    return lambda: sw.shot_features(shots)


def pooled_fit(name: str, folder: Path, n: int) -> Callable[[], Any]:
    with np.load(folder / f"{name}-{n}.npz") as file:
        rows = dict(file)
    return lambda: sw.PooledLogit().fit(**rows)


def report(folder: Path, n: int) -> Callable[[], Any]:
    shots = pd.read_pickle(folder / f"shots-{n}.pkl")
    return lambda: sw.Report().fit(shots).write("Rowan", folder / f"rowan-{n}.html")


#: Steps that take minutes on the largest log, and the largest that they are measured on.
LARGEST = {"report of one player": 100_000}

#: Each takes the inputs' folder and size, and gives a call that does the step once.
STEPS = {
    "read and check a CSV": read_log,
    "shot_features": features,
    "fit, gaps in whole cm": partial(pooled_fit, "typed"),
    "fit, no two rows equal": partial(pooled_fit, "exact"),
    "report of one player": report,
}


def main(step: str, folder: str, n: str) -> None:
    """Do one step in this process, and print its peak resident memory in megabytes."""
    STEPS[step](Path(folder), int(n))()
    # Linux's own account: getrusage would start from the peak of the parent process.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    print(int(status.split("VmHWM:")[1].split()[0]) / 1024)


if __name__ == "__main__":
    main(*sys.argv[1:])
