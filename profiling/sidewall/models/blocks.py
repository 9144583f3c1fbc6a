"""Many groups in blocks: a log likelihood whose parts stay small, however long the log.

Given the common parameters, groups are independent of each other. A block of groups is
taken at a time, so that its numbers stay in the processor's cache, and two blocks can be
worked on at once.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidewall.models.kinds import Layout, Rows
from sidewall.models.laplace import Laplace, Mode

Array = NDArray[np.float64]

_ROWS_IN_BLOCK = 40_000
_MOST_THREADS = 8


class Blocks:
    """The sum of :class:`~sidewall.models.laplace.Laplace` over blocks of groups."""

    def __init__(self, rows: Rows) -> None:
        edges = _edges(rows.layout)
        self.parts = [
            Laplace(some_groups(rows, np.arange(start, stop))) for start, stop in pairwise(edges)
        ]
        self._threads = min(len(self.parts), os.cpu_count() or 1, _MOST_THREADS)

    def _each(self, function: Callable[[Laplace], Any]) -> Iterator[Any]:
        if self._threads == 1:
            yield from map(function, self.parts)
            return
        with ThreadPoolExecutor(self._threads) as pool:
            yield from pool.map(function, self.parts)

    def evaluate(self, beta: Array, L: Array, sigma: float) -> tuple[float, Array, Array, float]:
        """Log likelihood and its derivatives in ``b``, ``L`` and ``s``."""

        def one(part: Laplace) -> tuple[float, Array, Array, float]:
            mode = part.mode(beta, L, sigma)
            return mode.loglik, *part.gradient(mode, L, sigma)

        loglik, d_sigma = 0.0, 0.0
        d_beta, d_L = np.zeros(len(beta)), np.zeros_like(L)
        for found in self._each(one):
            loglik, d_sigma = loglik + found[0], d_sigma + found[3]
            d_beta, d_L = d_beta + found[1], d_L + found[2]
        return loglik, d_beta, d_L, d_sigma

    def mode(self, beta: Array, L: Array, sigma: float) -> Mode:
        """The mode of all random effects together."""
        found = list(self._each(lambda part: part.mode(beta, L, sigma)))
        if len(found) == 1:
            return found[0]
        names = [name for name in vars(found[0]) if name != "loglik"]
        joined = {name: np.concatenate([getattr(one, name) for one in found]) for name in names}
        return Mode(sum(one.loglik for one in found), **joined)

    def kept(self) -> list[tuple[Array, Array]]:
        """Modes from which the next search starts."""
        return [(part.v, part.s) for part in self.parts]

    def put_back(self, kept: list[tuple[Array, Array]]) -> None:
        """Start the next search from given modes."""
        for part, (v, s) in zip(self.parts, kept, strict=True):
            part.v, part.s = v, s


def _edges(layout: Layout) -> NDArray[np.int64]:
    """Groups at which blocks of about so many rows begin and end."""
    if layout.n_rows < 2 * _ROWS_IN_BLOCK:
        return np.array([0, layout.n_groups])
    rows = np.bincount(layout.group[layout.cell], minlength=layout.n_groups)
    block = (np.cumsum(rows) - rows) // _ROWS_IN_BLOCK
    new = np.flatnonzero(np.diff(block, prepend=-1))
    return np.append(new, layout.n_groups)


def some_groups(rows: Rows, groups: NDArray[np.int64]) -> Rows:
    """Rows of some groups, which are numbered anew; `groups` rises."""
    at = rows.layout
    if len(groups) == at.n_groups:
        return rows
    number = np.full(at.n_groups, -1)
    number[groups] = np.arange(len(groups))
    cells = np.flatnonzero(number[at.group] >= 0)
    cell_number = np.full(len(at.kind), -1)
    cell_number[cells] = np.arange(len(cells))
    chosen = np.flatnonzero(cell_number[at.cell] >= 0)
    nested: dict[str, Any] = {}
    if at.subgroup is not None and at.subgroup_start is not None and at.subgroup_group is not None:
        subgroups = np.flatnonzero(number[at.subgroup_group] >= 0)
        subgroup_number = np.full(at.n_subgroups, -1, dtype=np.int32)
        subgroup_number[subgroups] = np.arange(len(subgroups))
        subgroup = subgroup_number[at.subgroup[chosen]]
        nested = {
            "subgroup": subgroup,
            "subgroup_start": np.searchsorted(subgroup, np.arange(len(subgroups))),
            "subgroup_group": number[at.subgroup_group[subgroups]],
        }
    group = number[at.group[cells]]
    layout = Layout(
        at.kind[cells],
        group,
        np.searchsorted(group, np.arange(len(groups))),
        cell_number[at.cell[chosen]].astype(np.int32),
        at.row_kind[chosen],
        **nested,
    )
    return replace(
        rows, layout=layout, successes=rows.successes[chosen], trials=rows.trials[chosen]
    )
