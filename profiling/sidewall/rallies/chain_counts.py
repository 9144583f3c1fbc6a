"""Transition counts by player, added up over the parts of a log."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.rallies.states import StateRule
from sidewall.rallies.transitions import Transitions, transitions

Array = NDArray[np.float64]


def count_moves(moves: Transitions) -> Array:
    """Transition counts by player, shape (players, s, s + 3)."""
    s, players = len(moves.states), len(moves.players)
    known = moves.known
    code = (moves.striker * s + moves.start) * (s + 3) + moves.target
    counts = np.bincount(code[known], minlength=players * s * (s + 3))
    return counts.reshape(players, s, s + 3).astype(float)


@dataclass(frozen=True)
class ChainCounts:
    """All that a chain is fitted to.

    Attributes
    ----------
    states, players : list of str
        Players are sorted.
    counts : ndarray, shape (players, s, s + 3)
    """

    states: list[str]
    players: list[str]
    counts: Array

    @classmethod
    def of(cls, moves: Transitions) -> ChainCounts:
        """Count the transitions of one table."""
        return cls(moves.states, moves.players, count_moves(moves))


@dataclass(frozen=True)
class CountPart:
    """Counts the transitions of a part of a log."""

    rule: StateRule

    def __call__(self, table: pd.DataFrame) -> ChainCounts:
        """Count those of a feature table of whole rallies."""
        return ChainCounts.of(transitions(table, self.rule))


def add_up(found: Iterable[ChainCounts]) -> ChainCounts:
    """Counts of all parts together, players put in order by name.

    Raises
    ------
    DataError
        When the state rule named other states in another part.
    """
    states: list[str] = []
    names: dict[str, int] = {}
    tables: list[Array] = []
    for part in found:
        if states and part.states != states:
            raise DataError(
                "the state rule names other states in other parts of the log; let it give a "
                "categorical with the same categories everywhere"
            )
        states = part.states
        at = [names.setdefault(name, len(names)) for name in part.players]
        tables += [np.zeros((len(states), len(states) + 3))] * (len(names) - len(tables))
        for here, counts in zip(at, part.counts, strict=True):
            tables[here] = tables[here] + counts
    players = sorted(names)
    counts = np.stack([tables[names[name]] for name in players])
    return ChainCounts(states, players, counts)
