"""What every shot added: the chance of winning after it, minus the chance before it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Keep, column_names, kept_rows
from sidewall.errors import DataError
from sidewall.features.coded import as_category
from sidewall.rallies.intervals import percentile_limits, rally_weights
from sidewall.rallies.transitions import Transitions
from sidewall.rallies.value import BallValue, outcomes

_LEAST_RALLIES = 10


def shot_values(moves: Transitions, value: BallValue, measure: str) -> pd.DataFrame:
    """Value of every shot; see :meth:`RallyChain.shot_values`."""
    if measure not in ("ladder", "pair"):
        raise DataError(f"measure is {measure!r}; it must be 'ladder' or 'pair'")
    between = measure == "pair"
    judged = outcomes(moves.table, value, 1, strengths=between)
    after, before = judged.outcome, 0.5 + judged.advantage
    before = np.where(np.isnan(after), np.nan, before)
    state = as_category(moves.start, moves.states)
    return moves.table.assign(
        state=state, value_before=before, value_after=after, value=after - before
    )


def value_table(
    moves: Transitions,
    value: BallValue,
    by: str | Sequence[str],
    draws: int,
    level: float,
    rng: np.random.Generator,
    keep: Keep | None = None,
) -> pd.DataFrame:
    """Sums of shot values with intervals; see :meth:`RallyChain.value_by`.

    Rallies are drawn again within matches, and the weights of the value of a ball are drawn
    from their posterior, so that an interval carries both errors.
    """
    from scipy import sparse  # noqa: PLC0415 - slow to load

    by = column_names(by, moves.table.columns)
    gain = shot_values(moves, value, "ladder")["value"].to_numpy()
    keys = moves.table[list(by)].astype(object)
    known = keys.notna().all(axis=1).to_numpy() & kept_rows(moves.table, keep) & ~np.isnan(gain)
    if not known.any():
        raise DataError(
            f"no shot is left with {', '.join(by)} charted; choose more shots or other columns"
        )
    code = keys[known].groupby(list(by), sort=True).ngroup().to_numpy()
    groups = int(code.max()) + 1
    of_rally, first = np.unique(moves.rally, return_index=True)
    rally = np.searchsorted(of_rally, moves.rally)
    match = pd.factorize(moves.table["match"])[0][first]
    weights = rally_weights(match, draws, rng)
    shape = (len(of_rally), groups)

    def drawn(values: Array) -> Array:
        table = sparse.csr_matrix((values, (rally[known], code)), shape=shape)
        return np.asarray(weights @ table)

    total = np.bincount(code, gain[known], groups)
    n = np.bincount(code, minlength=groups)
    phi = value.columns(moves.table)
    goes_on = moves.table["shots_left"].to_numpy() > 0
    following = np.where(goes_on[:, None], np.roll(phi, -1, axis=0), 0.0)
    columns = np.zeros((groups, phi.shape[1]))
    np.add.at(columns, code, -(phi + following)[known])
    again = drawn(gain[known]) + value.draws(draws, rng) @ columns.T
    n_again = drawn(np.ones(len(code)))
    rate = np.divide(100.0 * again, n_again, out=np.full_like(again, np.nan), where=n_again > 0)
    points = {"points": (total, again), "points_per_100": (100.0 * total / n, rate)}
    pairs = np.unique(code * len(of_rally) + rally[known])
    rallies = np.bincount(pairs // len(of_rally), minlength=groups)
    # a handful of rallies, drawn again, cannot show how far the next handful might differ
    enough = rallies >= _LEAST_RALLIES
    found: dict[str, Array] = {}
    for name, (middle, some) in points.items():
        ends = (np.where(enough, end, np.nan) for end in percentile_limits(some, level))
        found |= dict(zip((name, f"{name}_low", f"{name}_high"), (middle, *ends), strict=True))
    labels = keys[known].drop_duplicates().sort_values(list(by)).reset_index(drop=True)
    return labels.assign(**found, n_shots=n, n_rallies=rallies)
