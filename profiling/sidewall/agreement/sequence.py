"""Line up two sequences so that pairs and left-overs cost least."""

from __future__ import annotations

import numpy as np

from sidewall.arguments import Array

_PAIR, _LEAVE_FIRST = 0, 1


def line_up(cost: Array, leave: float = 1.0) -> tuple[Array, Array]:
    """Needleman and Wunsch's alignment of two sequences, at least cost.

    Parameters
    ----------
    cost : ndarray, shape (n, m)
        Of pairing an item of the first sequence with one of the second.
    leave : float, default 1.0
        Of leaving any item without a partner.

    Returns
    -------
    first, second : ndarray of int, shape (k,)
        Positions in either sequence, in order; -1 where an item has no partner.

    Notes
    -----
    Needleman & Wunsch 1970, Journal of Molecular Biology 48:443-453, as a dynamic programme
    over rows. Within a row, ``D[j] = min(T[j], D[j - 1] + leave)`` is
    ``leave * j + min over i <= j of (T[i] - leave * i)``: a running minimum, so that a row is
    a few array operations. Of equally cheap ways a pair comes before two left-overs.
    """
    n, m = cost.shape
    step = leave * np.arange(m + 1)
    best = np.empty((n + 1, m + 1))
    best[0] = step
    for i in range(n):
        row = best[i] + leave
        np.minimum(row[1:], best[i, :-1] + cost[i], out=row[1:])
        best[i + 1] = step + np.minimum.accumulate(row - step)
    return _trace(best, cost, leave)


def _trace(best: Array, cost: Array, leave: float) -> tuple[Array, Array]:
    i, j = cost.shape
    pairs: list[tuple[int, int]] = []
    while i or j:
        ways = (
            best[i - 1, j - 1] + cost[i - 1, j - 1] if i and j else np.inf,
            best[i - 1, j] + leave if i else np.inf,
            best[i, j - 1] + leave if j else np.inf,
        )
        # sums of the same costs in another order may differ in their last digits
        way = next(k for k, value in enumerate(ways) if value <= min(ways) + 1e-9)
        take_first, take_second = way in (_PAIR, _LEAVE_FIRST), way != _LEAVE_FIRST
        i, j = i - take_first, j - take_second
        pairs.append((i if take_first else -1, j if take_second else -1))
    both = np.array(pairs[::-1], dtype=np.int64).reshape(-1, 2)
    return both[:, 0], both[:, 1]
