"""A player's two curves at given gaps, with the covariance of both."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sidewall.errors import DataError
from sidewall.models import TightnessModel
from sidewall.models.cells import cell_counts

Array = NDArray[Any]


def curves_at(
    model: TightnessModel, player: str, cell: tuple[str, str], gaps_m: ArrayLike
) -> tuple[Array, Array]:
    """Log odds of winning when attacking and when resetting.

    Parameters
    ----------
    model : TightnessModel
        Fitted.
    player : str
    cell : tuple of str
        Side and stroke family.
    gaps_m : array-like, shape (g,)

    Returns
    -------
    eta : ndarray, shape (g, 2)
        Attack, reset.
    covariance : ndarray, shape (g, 2, 2)
    """
    rows, values, blocks = coefficients_of(model, player, cell, gaps_m)
    return rows @ values.T, np.einsum("gk,ckdl,gl->gcd", rows, blocks, rows)


def coefficients_of(
    model: TightnessModel, player: str, cell: tuple[str, str], gaps_m: ArrayLike
) -> tuple[Array, Array, Array]:
    """Rows of the curves at given gaps, coefficients (2, 1+k), covariance (2, 1+k, 2, 1+k)."""
    p, c = known_player(model, player), model.cells_.index(cell)
    gaps = np.asarray(gaps_m, dtype=float)
    rows = np.column_stack([np.ones(len(gaps)), model.transform_.basis(gaps)])
    k, cells = rows.shape[1], len(model.cells_)
    blocks = model.coefficient_covariance_[p].reshape(cells, 2, k, cells, 2, k)
    return rows, model.coefficients_[p, c], blocks[c, :, :, c]


def known_player(model: TightnessModel, player: str) -> int:
    """Position of a player in the model.

    Raises
    ------
    DataError
        With the names it knows.
    """
    model._need_fit()
    if player not in model.players_:
        raise DataError(
            f"the model knows no player {player!r}; it knows: {', '.join(model.players_)}"
        )
    return model.players_.index(player)


def counts_of(model: TightnessModel, player: str) -> list[dict[str, int]]:
    """Count own attacks, resets and rallies, cell by cell; refuse an unknown player."""
    known_player(model, player)
    counts = cell_counts(model.used_, [player], model.cells_)
    rows: Sequence[dict[Any, Any]] = counts.to_dict("records")
    return [{str(name): int(n) for name, n in row.items()} for row in rows]
