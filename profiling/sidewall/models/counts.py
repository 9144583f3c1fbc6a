"""Collapse identical rows to counts, so that a fit pays for distinct rows only."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray


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


def sums_by(
    codes: NDArray[np.integer], values: NDArray[np.float64], size: int
) -> NDArray[np.float64]:
    """Sums of values over equal codes from 0, shape (size,), float64."""
    found: NDArray[Any] = np.bincount(codes, weights=values, minlength=size)
    return found.astype(np.float64, copy=False)


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
