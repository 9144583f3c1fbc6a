"""Draws of a player's two curves at given gaps."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sidewall.arguments import check_player
from sidewall.models import TightnessModel

Array = NDArray[Any]


def draws_at(
    model: TightnessModel, player: str, cell: tuple[str, str], gaps_m: ArrayLike
) -> tuple[Array, Array]:
    """Draws of the chance of winning by attacking and by resetting, each (draws, gaps)."""
    i, j = position(model, player), model.cells_.index(cell)
    gaps = np.asarray(gaps_m, dtype=float)
    attack, reset = (model.posterior_.win(i, j, c, gaps) for c in ("attack", "reset"))
    return attack, reset


def position(model: TightnessModel, player: str) -> int:
    """Position of a player in the model.

    Raises
    ------
    DataError
        With the names it knows.
    """
    model.need_fit()
    return model.players_.index(check_player(player, model.players_))


def counts_of(model: TightnessModel, player: str) -> list[dict[str, int]]:
    """Own attacks, resets and rallies, cell by cell; refuse an unknown player."""
    position(model, player)
    counts = model.cell_counts()
    own = counts[counts.index.get_level_values("player") == player]
    rows: list[dict[Any, Any]] = own.to_dict("records")
    return [{str(name): int(n) for name, n in row.items()} for row in rows]
