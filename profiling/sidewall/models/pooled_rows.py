"""Check the input of a pooled fit and collapse it to distinct rows, sorted by group."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sidewall.errors import DataError
from sidewall.models.kinds import Layout, Rows


def row_codes(*columns: NDArray) -> NDArray[np.int64]:
    """Give equal rows of a table equal integer codes.

    Columns are folded in one at a time and the codes renumbered after each, so the codes
    stay below the number of rows and cannot overflow. Hashing beats sorting whole rows.

    Parameters
    ----------
    *columns : ndarray, shape (n,)
        The columns of the table.

    Returns
    -------
    ndarray of int64, shape (n,)
        Codes from 0, in order of first appearance.
    """
    codes = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        values, uniques = pd.factorize(column)
        codes, _ = pd.factorize(codes * np.int64(len(uniques)) + values)
    return codes


def collapse(
    codes: NDArray[np.int64], *sums: NDArray[np.float64]
) -> tuple[NDArray[np.intp], list[NDArray[np.float64]]]:
    """Sum columns over equal codes.

    Parameters
    ----------
    codes : ndarray of int, shape (n,)
        Codes from 0 without holes, as :func:`row_codes` gives.
    *sums : ndarray, shape (n,)
        Columns to add up.

    Returns
    -------
    first : ndarray of int, shape (k,)
        Position of the first row of each code.
    totals : list of ndarray, shape (k,)
        Each column added up by code.
    """
    _, first = np.unique(codes, return_index=True)
    return first, [np.bincount(codes, weights=column).astype(float) for column in sums]


Array = NDArray[np.float64]

#: Linear predictors beyond this only arise when an estimate runs off (p < 1e-6).
_SUSPECT = 14.0


def logistic_start(X: Array, successes: Array, trials: Array) -> tuple[Array, bool]:
    """Plain logistic regression by Newton's method, used as a starting point.

    Returns
    -------
    beta : ndarray, shape (p,)
    suspect : bool
        True when the iteration ran off or stalled, as under separation.
    """
    beta = np.zeros(X.shape[1])
    for _ in range(30):
        eta = np.clip(X @ beta, -30, 30)
        mu = 1.0 / (1.0 + np.exp(-eta))
        info = X.T @ (X * (trials * mu * (1 - mu))[:, None])
        ridge = 1e-10 * np.trace(info) / len(info)
        step = np.linalg.solve(info + ridge * np.eye(len(info)), X.T @ (successes - trials * mu))
        beta = beta + step
        if np.abs(X @ step).max() < 1e-6:
            return beta, bool(np.abs(X @ beta).max() > _SUSPECT)
    return beta, True


def separating_columns(X: Array, successes: Array, trials: Array) -> NDArray[np.intp]:
    """Find columns of a direction along which the likelihood rises for ever.

    The estimate is infinite when some direction d has ``x'd >= 0`` for every success,
    ``x'd <= 0`` for every failure, and not all zero (Albert & Anderson 1984, Biometrika
    71:1-10). That is a linear programme (Konis 2007, DPhil thesis, University of Oxford).

    Returns
    -------
    ndarray of int
        Columns with a non-zero part in such a direction; empty when there is none.
    """
    from scipy.optimize import linprog  # noqa: PLC0415 - seldom needed, slow to load

    scale = np.abs(X).max(axis=0)
    scale[scale == 0] = 1.0
    Xs = X / scale
    won, lost = successes > 0, successes < trials
    signed = np.concatenate([Xs[won], -Xs[lost]])
    signed = np.unique(signed, axis=0)
    result = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    if result.x is None or signed.sum(axis=0) @ result.x < 1e-7:
        return np.empty(0, dtype=np.intp)
    return np.flatnonzero(np.abs(result.x) > 1e-7)


@dataclass(frozen=True)
class Prepared:
    """Distinct rows, and the labels that the numbers in them stand for."""

    rows: Rows
    fixed_names: list
    random_names: list
    groups: pd.Index
    subgroup_index: pd.MultiIndex | None
    n_rows: int
    log_choose: float


def prepare(
    y: ArrayLike,
    X: ArrayLike | pd.DataFrame,
    Z: ArrayLike | pd.DataFrame,
    groups: ArrayLike,
    trials: ArrayLike | None,
    subgroups: ArrayLike | None,
) -> Prepared:
    """Turn the arguments of :meth:`PooledLogit.fit` into rows.

    Raises
    ------
    DataError
        On missing values, unequal lengths, impossible counts or dependent columns.
    """
    fixed_names, Xa = _named(X, "x")
    random_names, Za = _named(Z, "z")
    ya = np.asarray(y, dtype=float)
    n = np.ones_like(ya) if trials is None else np.asarray(trials, dtype=float)
    group, labels = pd.factorize(pd.Series(groups), sort=True)
    _check(ya, Xa, Za, n, group)
    check_rank(Xa.T @ Xa, fixed_names)
    sub, sub_labels = np.zeros(len(ya), dtype=np.int64), None
    if subgroups is not None:
        sub, sub_labels = pd.factorize(pd.Series(subgroups), sort=True)
    kind = row_codes(*Xa.T, *Za.T)
    of_kind = np.unique(kind, return_index=True)[1]
    first, sums = collapse(row_codes(group, sub, kind), ya, n)
    nested = None if sub_labels is None else sub[first]
    layout, order = Layout.sort(group[first], nested, kind[first])
    rows = Rows(layout, Xa[of_kind], Za[of_kind], *(part[order] for part in sums))
    index = None
    if sub_labels is not None and nested is not None:
        index = subgroup_index(layout, order, labels, nested, sub_labels)
    return Prepared(rows, fixed_names, random_names, labels, index, len(ya), _log_choose(ya, n))


def subgroup_index(
    layout: Layout,
    order: NDArray[np.int64],
    groups: pd.Index,
    subgroup: NDArray[np.integer],
    names: pd.Index,
) -> pd.MultiIndex:
    """Name every (group, subgroup) pair of a sorted layout, in its order."""
    assert layout.subgroup_start is not None
    assert layout.subgroup_group is not None
    pairs = [groups[layout.subgroup_group], names[subgroup[order[layout.subgroup_start]]]]
    return pd.MultiIndex.from_arrays(pairs, names=["group", "subgroup"])


def _named(table: ArrayLike | pd.DataFrame, letter: str) -> tuple[list, Array]:
    values = np.asarray(table, dtype=float)
    if values.ndim == 1:
        values = values[:, None]
    if isinstance(table, pd.DataFrame):
        return list(table.columns), values
    return [f"{letter}{k}" for k in range(values.shape[1])], values


def _check(y: Array, X: Array, Z: Array, n: Array, group: NDArray[np.int64]) -> None:
    for name, part in {"X": X, "Z": Z, "y": y, "trials": n, "groups": group}.items():
        if len(part) != len(y):
            raise DataError(f"{name} has {len(part)} rows where y has {len(y)}")
        if not np.isfinite(part).all():
            raise DataError(f"{name} holds missing or infinite values; drop or fill them")
    if len(y) == 0:
        raise DataError("there are no rows to fit")
    if (group < 0).any():
        raise DataError("groups holds missing values; name the group of every row")
    if (y < 0).any() or (y > n).any() or (n <= 0).any():
        raise DataError("every y must lie between 0 and its trials, and trials be above 0")


def check_rank(gram: Array, names: list) -> None:
    """Find columns that earlier ones already explain, from the triangle of a QR.

    Parameters
    ----------
    gram : ndarray, shape (p, p)
        Cross products of the columns.

    Raises
    ------
    DataError
        Naming the columns that depend on the others.
    """
    from scipy.linalg import qr  # noqa: PLC0415

    size = np.sqrt(np.diag(gram))
    gram = gram / np.outer(np.where(size > 0, size, 1.0), np.where(size > 0, size, 1.0))
    _, R, order = qr(gram, pivoting=True)
    spare = order[np.abs(np.diag(R)) < 1e-10]
    if len(spare):
        raise DataError(
            "columns of X depend on the others and cannot be estimated beside them: "
            f"{', '.join(str(names[k]) for k in sorted(spare))}; leave them out"
        )


def _log_choose(y: Array, n: Array) -> float:
    """Sum of the log binomial coefficients; zero for fractional counts."""
    from scipy.special import gammaln  # noqa: PLC0415

    if (n == 1).all() or (y != np.round(y)).any() or (n != np.round(n)).any():
        return 0.0
    return float(np.sum(gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)))
