"""Set-up credit: which shots make the next ball loose, and which lead to a finish.

For one kind of shot, the quantity is: how much more often does the striker's next ball
come back loose (or the rally end in the striker's next shot) than after the other shots
that the same player struck from the same state, at the same depth and balance where these
are charted? Shots that stood in the same place and went another way are the comparison, so
that a kind of shot gets no credit for being played from good positions. Only shots after
which the rally goes on are compared: a shot that ends it has its worth in the table of
values, and made no opening.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Ints, Keep, column_names, kept_rows
from sidewall.errors import DataError
from sidewall.rallies.intervals import RallyBootstrap, percentile_limits
from sidewall.rallies.transitions import Transitions

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

#: What tells two balls of a state apart besides, where it is charted.
BESIDE: Final = ("depth", "balance")
#: Numbers of resampled cells that are held at once.
_MOST_NUMBERS: Final = 1_000_000


def next_ball(moves: Transitions) -> Array:
    """Row of the striker's next ball in the same rally; -1 when there is none."""
    n = len(moves.start)
    left = moves.table["shots_left"].to_numpy()
    return np.where(left >= 2, np.arange(n) + 2, -1)


def loose_next(moves: Transitions, loose: Array) -> Array:
    """1.0 where the striker gets another ball and it is `loose` for its striker, else 0.0."""
    at = next_ball(moves)
    return np.where(at >= 0, loose[at], False).astype(float)


def finished_next(moves: Transitions) -> Array:
    """1.0 where the striker wins the rally with the next shot of his own, else 0.0."""
    at = next_ball(moves)
    s = len(moves.states)
    return ((at >= 0) & (moves.target[at] == s)).astype(float)


def _places(moves: Transitions, use: Bools, beside: Sequence[str]) -> tuple[Ints, int]:
    """Which shots of a player met balls of one kind, numbered, and how many kinds there are."""
    place = moves.striker[use] * len(moves.states) + moves.start[use]
    for name in beside:
        if name in moves.table.columns:
            codes, levels = pd.factorize(moves.table[name][use], use_na_sentinel=False)
            place = place * len(levels) + codes
    found, kinds = pd.factorize(place)
    return found, len(kinds)


def matched_table(
    chain: RallyChain,
    outcome: Array,
    by: str | Sequence[str],
    draws: int,
    level: float,
    rng: np.random.Generator,
    loose: Array | None = None,
    keep: Keep | None = None,
) -> pd.DataFrame:
    """Compare each kind of shot with the others struck by the same player from the same state.

    In each player, state, depth and balance with both, the difference in the share of the outcome,
    0 or 1, between shots of the kind and all others is weighted by the number of shots of the kind.
    `by` names the columns that make a kind; `draws` are of the rally bootstrap behind the
    intervals; where `loose` says which balls are, the difference is also given in points, at what a
    loose ball is worth. The table: ``share`` after the kind; ``matched_share`` after the others
    from the same states; ``difference`` with ``difference_low`` and ``difference_high``;
    ``n_shots`` and ``n_rallies`` of the kind; ``n_matched_shots``, those that had any to be
    compared with. A DataError when the log lacks a column, or nothing can be compared.
    """
    from scipy import sparse  # noqa: PLC0415 - slow to load

    moves = chain.moves()
    by = column_names(by, moves.table.columns)
    serve = (moves.table["stroke"] == "serve").to_numpy()
    keys = moves.table[list(by)].astype(object)
    goes_on = moves.target < len(moves.states)
    use = (moves.start >= 0) & ~serve & goes_on & ~np.isnan(outcome)
    use &= kept_rows(moves.table, keep)
    keys = keys.where(keys.notna(), "not charted")[use]
    grouped = keys.groupby(list(by), sort=True)
    kind = grouped.ngroup().to_numpy()
    labels = keys.drop_duplicates().sort_values(list(by)).reset_index(drop=True)
    kinds = len(labels)
    place, places = _places(moves, use, [name for name in BESIDE if name not in by])
    y, boot = outcome[use], RallyBootstrap(moves, chain.pooling_, draws, rng)
    rally, rallies = boot.rally[use], boot.weights.shape[1]
    cells, cell = np.unique(kind * places + place, return_inverse=True)
    kind_of, place_of = np.divmod(cells, places)
    one, every = np.ones(len(cells)), np.arange(len(cells))
    shots, hits = (
        sparse.csr_matrix((each, (rally, cell)), (rallies, len(cells)))
        for each in (np.ones(len(y)), y)
    )
    by_place = sparse.csr_matrix((one, (every, place_of)), (len(cells), places))
    by_kind = sparse.csr_matrix((one, (every, kind_of)), (len(cells), kinds))

    def compare(weights: Array) -> tuple[Array, Array, Array]:
        n, won = weights @ shots, weights @ hits
        rest, rest_won = ((each @ by_place)[:, place_of] - each for each in (n, won))
        both = (n > 0) & (rest > 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            total = np.where(both, n, 0.0) @ by_kind
            share = np.where(both, won, 0.0) @ by_kind / total
            other = np.where(both, n * rest_won / rest, 0.0) @ by_kind / total
        return share, other, total

    share, other, matched = (each[0] for each in compare(np.ones((1, rallies))))
    if not matched.any():
        raise DataError(
            f"no two kinds of shot by {', '.join(by)} were struck by one player from one state, "
            "so there is nothing to compare; add a column such as stroke"
        )
    some = np.array_split(boot.weights, 1 + draws * len(cells) // _MOST_NUMBERS)
    again = np.concatenate([np.subtract(*compare(weights)[:2]) for weights in some])
    low, high = percentile_limits(again, level)
    pairs = pd.DataFrame({"kind": kind, "rally": rally}).drop_duplicates()
    table = labels.assign(
        share=share,
        matched_share=other,
        difference=share - other,
        difference_low=low,
        difference_high=high,
        n_shots=np.bincount(kind, minlength=kinds),
        n_rallies=np.bincount(pairs["kind"], minlength=kinds),
        n_matched_shots=matched.astype(int),
    )
    if loose is None:
        return table
    value = chain.ball_value_
    balls = np.where(serve, -1, loose.astype(np.int64))
    phi = value.columns(moves.table)
    means = np.stack([phi[balls == k].mean(axis=0) for k in (0, 1)])
    worth = float((means[1] - means[0]) @ value.weights_.to_numpy())
    drawn = worth + value.draws(draws, rng) @ (means[1] - means[0])
    low, high = percentile_limits(100.0 * drawn[:, None] * again, level)
    return table.assign(
        points_per_100=100.0 * worth * table["difference"],
        points_per_100_low=low,
        points_per_100_high=high,
    )
