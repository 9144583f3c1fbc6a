"""The same work done another way, on the same data, with the answers compared.

Each function takes the folder of inputs and the size and gives a `Pair`. The other way is a
general library's, or the loop one would write first.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

import sidewall as sw
from sidewall.rallies.intervals import RallyBootstrap, ladder_values

DRAWS = 200


class Pair(NamedTuple):
    """Two ways to one answer, and an assertion that it is one."""

    ours: Callable[[], Any]
    other: Callable[[], Any]
    same: Callable[[Any, Any], None]


# -- reading: no bare reader checks anything, so this is what the checks cost ----------------


def _same_table(shots: pd.DataFrame, bare: pd.DataFrame) -> None:
    assert len(shots) == len(bare)
    np.testing.assert_allclose(shots["gap_m"].sum(), bare["gap_cm"].sum() / 100, rtol=1e-9)
    assert (shots["stroke"].astype(str) == "serve").sum() == (bare["stroke"] == "serve").sum()


def read_pandas(folder: Path, n: int) -> Pair:
    path = folder / f"log-{n}.csv"
    return Pair(lambda: sw.read_shots(path), lambda: pd.read_csv(path), _same_table)


def read_pyarrow(folder: Path, n: int) -> Pair:
    from pyarrow import csv  # noqa: PLC0415

    path = folder / f"log-{n}.csv"
    return Pair(lambda: sw.read_shots(path), lambda: csv.read_csv(path).to_pandas(), _same_table)


# -- the pooled fit ---------------------------------------------------------------------------


def pooled_fit(how: str, folder: Path, n: int) -> Pair:
    """statsmodels' Bayesian mixed model: variational (vb), or the joint mode (map)."""
    from scipy import sparse  # noqa: PLC0415
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM  # noqa: PLC0415

    with np.load(folder / f"typed-{n}.npz") as file:
        rows = dict(file)
    Z, group = rows["Z"], rows["groups"]
    q, groups = Z.shape[1], int(group.max()) + 1

    def other() -> Any:
        np.random.seed(0)  # noqa: NPY002 - its start is drawn from the global generator
        shape = (len(group), groups)
        each = [sparse.csr_matrix((Z[:, k], (np.arange(n), group)), shape=shape) for k in range(q)]
        # a flatter prior of the spreads lets the joint mode run off to spreads of nought
        model = BinomialBayesMixedGLM(
            rows["y"],
            rows["X"],
            sparse.hstack(each).tocsr(),
            np.repeat(np.arange(q), groups),
            vcp_p=0.3 if how == "map" else 1.0,
            fe_p=10.0,
        )
        return getattr(model, f"fit_{how}")()

    # The joint mode shrinks the spreads between players toward nought, and with them the
    # fixed effects a little; the variational means are those of the integrated likelihood.
    within = {"vb": 0.25, "map": 1.0}[how]

    def same(fit: sw.PooledLogit, theirs: Any) -> None:
        se = np.sqrt(np.diag(fit.fixed_covariance_))
        apart = np.abs(fit.fixed_effects_.to_numpy() - theirs.fe_mean) / se
        assert apart.max() < within, apart

    return Pair(lambda: sw.PooledLogit().fit(**rows), other, same)


_IN_R = {
    "lme4": "fit <- lme4::glmer(y ~ {all}, d, binomial); cat(lme4::fixef(fit))",
    "glmmTMB": "fit <- glmmTMB::glmmTMB(y ~ {all}, d, binomial); cat(glmmTMB::fixef(fit)$cond)",
}


def in_r(package: str, folder: Path, n: int) -> Pair | None:
    """Laplace's approximation in R, its start and reading with it; None where R has it not."""
    ask = ["Rscript", "-e", f"quit(status = !requireNamespace('{package}', quietly = TRUE))"]
    if shutil.which("Rscript") is None or subprocess.run(ask, check=False).returncode:
        return None
    with np.load(folder / f"typed-{n}.npz") as file:
        rows = dict(file)
    table = pd.DataFrame(rows["X"][:, 1:]).add_prefix("x").assign(y=rows["y"], g=rows["groups"])
    table.to_csv(folder / f"rows-{n}.csv", index=False)
    same_as = [int((rows["X"][:, 1:] == z[:, None]).all(axis=0).argmax()) for z in rows["Z"].T[1:]]
    fixed = [f"x{k}" for k in range(rows["X"].shape[1] - 1)]
    terms = " + ".join([*fixed, "(1 | g)", *(f"(0 + x{k} | g)" for k in same_as)])
    read = f"d <- read.csv('{(folder / f'rows-{n}.csv').as_posix()}'); "
    code = read + _IN_R[package].format(all=terms)

    def other() -> np.ndarray:
        said = subprocess.run(["Rscript", "-e", code], check=True, capture_output=True, text=True)
        return np.array(said.stdout.split(), dtype=float)

    def same(fit: sw.PooledLogit, theirs: np.ndarray) -> None:
        se = np.sqrt(np.diag(fit.fixed_covariance_))
        apart = np.abs(fit.fixed_effects_.to_numpy() - theirs) / se
        assert apart.max() < 0.01, apart

    return Pair(lambda: sw.PooledLogit().fit(**rows), other, same)


# -- the chain's bootstrap --------------------------------------------------------------------


def bootstrap(folder: Path, n: int) -> Pair:
    """Value of every ball in resampled rallies, against counting each draw's shots anew."""
    shots = pd.read_pickle(folder / f"shots-{n}.pkl")
    chain = sw.RallyChain().fit(shots)
    moves = chain.moves()
    s, players = len(moves.states), len(moves.players)

    def drawn() -> RallyBootstrap:
        return RallyBootstrap(moves, chain.pooling_, DRAWS, np.random.default_rng(1))

    def ours() -> np.ndarray:
        return np.concatenate([ladder_values(counts) for counts in drawn().counts()])

    def loop() -> np.ndarray:
        boot = drawn()
        values = []
        for draw in range(DRAWS):
            weight = boot.weights[draw, boot.rally]
            counts = np.zeros((players, s, s + 3))
            for k in np.flatnonzero(moves.known):
                counts[moves.striker[k], moves.start[k], moves.target[k]] += weight[k]
            values.append(ladder_values(counts[None])[0])
        return np.array(values)

    def same(a: np.ndarray, b: np.ndarray) -> None:
        np.testing.assert_allclose(a, b, rtol=0, atol=1e-10)

    return Pair(ours, loop, same)


# -- combinations -----------------------------------------------------------------------------


def combination(folder: Path, n: int) -> Pair:
    """A drive, any reply, then a volley drop: found at once, against rally by rally."""
    shots = pd.read_pickle(folder / f"shots-{n}.pkl")
    way = sw.Combination(
        "length, then volley drop",
        [
            sw.Step("own", stroke="drive"),
            sw.Step("reply"),
            sw.Step("own", stroke="drop", contact="volley"),
        ],
    )

    def loop() -> tuple[int, int]:
        tried = finished = 0
        for _, rally in shots.groupby(["match", "game", "rally"], observed=True, sort=False):
            played = rally[["stroke", "contact"]].to_dict("records")
            for k, first in enumerate(played):
                if first["stroke"] != "drive":
                    continue
                tried += 1
                if k + 2 < len(played):
                    last = played[k + 2]
                    finished += last["stroke"] == "drop" and last["contact"] == "volley"
        return tried, finished

    def same(found: pd.DataFrame, counted: tuple[int, int]) -> None:
        assert (len(found), int(found["finished"].sum())) == counted

    return Pair(lambda: way.find(shots), loop, same)


#: What is compared, and the largest log on which the other way is tried.
PAIRS: dict[str, tuple[Callable[[Path, int], Pair | None], int]] = {
    "read and check | pandas, unchecked": (read_pandas, 1_000_000),
    "read and check | pyarrow, unchecked": (read_pyarrow, 1_000_000),
    "pooled fit | statsmodels, variational": (partial(pooled_fit, "vb"), 100_000),
    "pooled fit | statsmodels, joint mode": (partial(pooled_fit, "map"), 100_000),
    "pooled fit | lme4 (R)": (partial(in_r, "lme4"), 10_000),
    "pooled fit | glmmTMB (R)": (partial(in_r, "glmmTMB"), 10_000),
    f"{DRAWS} resamples | loop over shots": (bootstrap, 100_000),
    "combination | loop over rallies": (combination, 1_000_000),
}
