"""Distinct rows in three levels: kinds of row, cells (a group's rows of one kind), rows.

The columns of a model depend on the kind of row alone (side, family, choice, gap), and a
log has few kinds however long it is. So the columns are held once a kind, the sums that
need them are made by kind or by cell, and a row is three numbers. Equal rows are collapsed
to counts first: what is left is one row for each group, subgroup and kind that was met.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def sums_by(
    codes: NDArray[np.integer], values: NDArray[np.float64], size: int
) -> NDArray[np.float64]:
    """Sums of values over equal codes from 0, shape (size,), float64."""
    found: NDArray[Any] = np.bincount(codes, weights=values, minlength=size)
    return found.astype(np.float64, copy=False)


@dataclass(frozen=True)
class Layout:
    """Which rows there are, sorted by group, subgroup and kind, without their columns.

    Attributes
    ----------
    kind : ndarray of int, shape (cells,)
        Kind of each cell; cells are sorted by group and kind.
    group : ndarray of int, shape (cells,)
    group_start : ndarray of int, shape (groups,)
        First cell of each group.
    cell : ndarray of int, shape (n,)
        Cell of each row.
    row_kind : ndarray of int, shape (n,)
    subgroup, subgroup_start, subgroup_group : ndarray of int or None
        Subgroup of each row, shape (n,); first row and group of each, shape (subgroups,).
    """

    kind: Ints
    group: Ints
    group_start: Ints
    cell: Ints
    row_kind: NDArray[np.int32]
    subgroup: Ints | None = None
    subgroup_start: Ints | None = None
    subgroup_group: Ints | None = None

    @classmethod
    def sort(cls, group: Ints, subgroup: Ints | None, kind: Ints) -> tuple[Layout, Ints]:
        """Put distinct rows in order; also returns their positions as they were given.

        Parameters
        ----------
        group, subgroup, kind : ndarray of int, shape (n,)
            Codes from 0; no two rows may agree in all of them.
        """
        kinds = int(kind.max()) + 1
        if subgroup is None:
            order = np.argsort(group * kinds + kind, kind="stable")
        else:
            subs = int(subgroup.max()) + 1
            order = np.argsort((group * subs + subgroup) * kinds + kind, kind="stable")
        g, k = group[order], kind[order]
        of_cell, cell = _cells(g * kinds + k, subgroup is None)
        cell_group, cell_kind = np.divmod(of_cell, kinds)
        nested: dict[str, Any] = {}
        if subgroup is not None:
            j = subgroup[order]
            new = np.r_[True, (np.diff(g) != 0) | (np.diff(j) != 0)]
            nested = {
                "subgroup": (np.cumsum(new) - 1).astype(np.int32),
                "subgroup_start": np.flatnonzero(new),
                "subgroup_group": g[new],
            }
        start = np.flatnonzero(np.r_[True, np.diff(cell_group) != 0])
        kind32 = k.astype(np.int32)
        return cls(cell_kind, cell_group, start, cell, kind32, **nested), order

    @property
    def n_rows(self) -> int:
        """Number of distinct rows."""
        return len(self.row_kind)

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return len(self.group_start)

    @property
    def n_subgroups(self) -> int:
        """Number of subgroups; 0 when rows have none."""
        return 0 if self.subgroup_start is None else len(self.subgroup_start)

    @cached_property
    def group_subgroup_start(self) -> Ints:
        """First subgroup of each group."""
        assert self.subgroup_group is not None
        return np.searchsorted(self.subgroup_group, np.arange(self.n_groups)).astype(np.int64)


def _cells(codes: Ints, distinct: bool) -> tuple[Ints, NDArray[Any]]:
    """Distinct codes in order, and the position of each row's code among them."""
    if distinct:
        return codes, np.arange(len(codes))
    found, place = np.unique(codes, return_inverse=True)
    return found, place.astype(np.int32)


@dataclass(frozen=True)
class Rows:
    """A layout with the columns of its kinds and the counts of its rows.

    ``successes`` and ``trials`` need not be whole numbers: a fraction is a fractional
    response and a weight scales both.

    Attributes
    ----------
    layout : Layout
    X, Z : ndarray, shapes (kinds, p) and (kinds, q)
    successes, trials : ndarray, shape (n,)
    """

    layout: Layout
    X: Array
    Z: Array
    successes: Array
    trials: Array

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return self.layout.n_groups

    @property
    def n_subgroups(self) -> int:
        """Number of subgroups; 0 when rows have none."""
        return self.layout.n_subgroups

    def by_cell(self, values: Array) -> Array:
        """Sums of a value of every row, shape (cells,)."""
        at = self.layout
        if at.subgroup is None:
            return values  # every row is a cell of its own
        return sums_by(at.cell, values, len(at.kind))

    def by_kind(self, cells: Array) -> Array:
        """Sums of a value of every cell, shape (kinds,)."""
        return sums_by(self.layout.kind, cells, len(self.X))

    def by_subgroup(self, values: Array) -> Array:
        """Sums of a value of every row, shape (subgroups,)."""
        assert self.layout.subgroup_start is not None
        return np.add.reduceat(values, self.layout.subgroup_start)

    def columns_by_subgroup(self, values: Array, columns: Array) -> Array:
        """Sums of ``value * columns[kind]`` over the rows of each subgroup, (subgroups, m)."""
        from scipy.sparse import csr_matrix  # noqa: PLC0415 - slow to load

        at = self.layout
        assert at.subgroup_start is not None
        ends = np.append(at.subgroup_start, len(values))
        shape = (self.n_subgroups, len(columns))
        return np.asarray(csr_matrix((values, at.row_kind, ends), shape=shape) @ columns)

    def times_subgroup(self, columns: Array, factors: Array) -> Array:
        """Products ``columns[kind] . factors[subgroup]`` of every row, shape (n,)."""
        at = self.layout
        assert at.subgroup is not None
        found, step = np.empty(at.n_rows), 1 << 17
        for i in range(0, at.n_rows, step):
            part = slice(i, i + step)
            here = columns[at.row_kind[part]]
            found[part] = np.einsum("nq,nq->n", here, factors[at.subgroup[part]])
        return found

    def mean_square(self, columns: Array) -> Array:
        """Mean square of columns over the distinct rows."""
        n = np.bincount(self.layout.row_kind, minlength=len(columns))
        return np.asarray(n @ columns**2) / self.layout.n_rows


def sum_by(values: Array, start: Ints) -> Array:
    """Sum consecutive rows of `values` between the positions in `start`."""
    return np.add.reduceat(values, start, axis=0)


def cross_by(left: Array, right: Array, start: Ints) -> Array:
    """Cross products ``left' right`` of the rows of every group, shape (groups, a, b)."""
    n, groups = len(left), len(start)
    if n > 100 * groups:  # long groups: one matrix product each is the fastest
        stop = np.append(start[1:], n)
        return np.stack([left[i:j].T @ right[i:j] for i, j in zip(start, stop, strict=True)])
    return sum_by(left[:, :, None] * right[:, None, :], start)
