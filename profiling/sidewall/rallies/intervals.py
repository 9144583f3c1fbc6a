"""Bootstrap intervals for what balls and shots are worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Keep, column_names, kept_rows
from sidewall.errors import DataError
from sidewall.rallies.absorbing import alternating_values, win_share
from sidewall.rallies.pooling import ladder_rows
from sidewall.rallies.resample import RallyBootstrap
from sidewall.rallies.worth import before_and_after

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

Array = NDArray[Any]

_LEAST_RALLIES = 10


def deviation(draws: Array) -> Array:
    """Standard deviation over the first axis, missing values apart; missing for fewer than two."""
    known = ~np.isnan(draws)
    n = known.sum(axis=0)
    from_mean = np.where(known, draws, 0.0)
    from_mean = np.where(known, draws - from_mean.sum(axis=0) / np.maximum(n, 1), 0.0)
    variance = (from_mean**2).sum(axis=0) / np.maximum(n - 1, 1)
    return np.where(n > 1, np.sqrt(variance), np.nan)


def percentile_limits(draws: Array, level: float) -> tuple[Array, Array]:
    """Percentile interval over the first axis, missing values apart."""
    tails = [50.0 * (1.0 - level), 50.0 * (1.0 + level)]
    some = ~np.isnan(draws).all(axis=0)
    low, high = np.full((2, *draws.shape[1:]), np.nan)
    if some.any():
        low[some], high[some] = np.nanpercentile(draws[:, some], tails, axis=0)
    return low, high


def ladder_values(counts: Array) -> Array:
    """Value of every state between average players, shape (draws, s); missing if not met."""
    ladder = ladder_rows(counts)
    chances = alternating_values(ladder, ladder)[0]
    return np.where(ladder.sum(axis=-1) > 0, win_share(chances), np.nan)


def state_table(
    chain: RallyChain, draws: int, level: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Value and length of every state with intervals; see :meth:`RallyChain.state_values`."""
    moves = chain.moves()
    boot = RallyBootstrap(moves, chain.pooling_, draws, rng)
    s = len(moves.states)
    value, length = [], []
    for counts in boot.counts():
        ladder = ladder_rows(counts)
        reached = ladder.sum(axis=-1) > 0
        value.append(ladder_values(counts))
        left = np.linalg.solve(np.eye(s) - ladder[..., :s], np.ones((s, 1)))[..., 0]
        length.append(np.where(reached, left, np.nan))
    value_low, value_high = percentile_limits(np.concatenate(value), level)
    length_low, length_high = percentile_limits(np.concatenate(length), level)
    return pd.DataFrame(
        {
            "win_probability": chain.win_probability_,
            "win_low": value_low,
            "win_high": value_high,
            "expected_shots": chain.expected_shots_,
            "shots_low": length_low,
            "shots_high": length_high,
            "shots": chain.visits_,
        }
    )


def value_table(
    chain: RallyChain,
    by: str | Sequence[str],
    draws: int,
    level: float,
    rng: np.random.Generator,
    keep: Keep | None = None,
) -> pd.DataFrame:
    """Sums of shot values with intervals; see :meth:`RallyChain.value_by`."""
    moves = chain.moves()
    by = column_names(by, moves.table.columns)
    keys = moves.table[list(by)].astype(object)
    known = keys.notna().all(axis=1).to_numpy() & kept_rows(moves.table, keep)
    if not known.any():
        raise DataError(
            f"no shot is left with {', '.join(by)} charted; choose more shots or other columns"
        )
    grouped = keys[known].groupby(list(by), sort=True)
    code = np.full(len(keys), -1)
    code[known] = grouped.ngroup()
    groups = int(code.max()) + 1

    def sums(value: Array, weight: Array) -> tuple[Array, Array]:
        before, after = before_and_after(moves, value[None], value[None])
        gain = after - before
        use = known & ~np.isnan(gain)
        total = np.bincount(code[use], weights=(weight * gain)[use], minlength=groups)
        return total, np.bincount(code[use], weights=weight[use], minlength=groups)

    total, n = sums(chain.win_probability_.to_numpy(), np.ones(len(code)))
    boot = RallyBootstrap(moves, chain.pooling_, draws, rng)
    values = np.concatenate([ladder_values(counts) for counts in boot.counts()])
    again = np.stack([sums(value, boot.shot_weights(k)) for k, value in enumerate(values)], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        points = {"points": (total, again[0])}
        points["points_per_100"] = 100.0 * total / n, 100.0 * again[0] / again[1]
    use = code >= 0
    pairs = pd.DataFrame({"code": code[use], "rally": moves.rally[use]}).drop_duplicates()
    rallies = np.bincount(pairs["code"], minlength=groups)
    # a handful of rallies, drawn again, cannot show how far the next handful might differ
    enough = rallies >= _LEAST_RALLIES
    columns: dict[str, Array] = {}
    for name, (value, drawn) in points.items():
        ends = (np.where(enough, end, np.nan) for end in percentile_limits(drawn, level))
        columns |= dict(zip((name, f"{name}_low", f"{name}_high"), (value, *ends), strict=True))
    first = keys[known].drop_duplicates().sort_values(list(by)).reset_index(drop=True)
    return first.assign(**columns, shots=n.astype(int), rallies=rallies)
