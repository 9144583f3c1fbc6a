"""From shots to transitions: which ball led to which, how rallies ended, and how often."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Floats, Ints
from sidewall.errors import DataError
from sidewall.features.coded import names_and_codes, positions
from sidewall.features.rallies import need_whole_rallies
from sidewall.features.shots import with_features
from sidewall.rallies.states import StateRule

#: Columns behind the states: how a rally ends, seen from the striker.
ENDS = ("win", "lose", "let")


@dataclass(frozen=True)
class Transitions:
    """Every shot of a feature table as a move to the opponent's state, or to an end; shape (n,).

    `start` is -1 where the state is not known; `target` the opponent's state, or ``len(states)``
    plus 0 win, 1 lose, 2 let, or -1; striker and opponent are positions in `players`.
    """

    table: pd.DataFrame
    states: list[str]
    players: list[str]
    start: Ints
    target: Ints
    striker: Ints
    opponent: Ints
    rally: Ints

    @property
    def known(self) -> Bools:
        """Rows whose start and target are both known."""
        return (self.start >= 0) & (self.target >= 0)

    @property
    def pair(self) -> Ints:
        """``striker * players + opponent`` of every row."""
        return self.striker * len(self.players) + self.opponent


def transitions(
    shots: pd.DataFrame,
    rule: StateRule,
    players: list[str] | None = None,
    states: list[str] | None = None,
) -> Transitions:
    """Read off the transitions of whole rallies; players and states may be those of a fitted chain.

    A DataError when the rule names states that it does not have, a player is new, or shots of a
    rally are missing.
    """
    table = with_features(shots)
    need_whole_rallies(table)
    named = rule(table)
    if not isinstance(named.dtype, pd.CategoricalDtype):
        named = named.astype("category")
    found = [str(name) for name in named.cat.categories]
    if states is not None and found != states:
        raise DataError(
            "the state rule gives other states than the fitted chain has; use the same rule"
        )
    names = players
    if names is None:
        met = [names_and_codes(table[who])[0] for who in ("player", "opponent")]
        names = [str(name) for name in met[0].union(met[1])]
    known = pd.Index(names)
    striker, opponent = (positions(table[who], known) for who in ("player", "opponent"))
    if (striker < 0).any() or (opponent < 0).any():
        # whoever met serves alone has struck no shot
        unknown = [table["player"][striker < 0], table["opponent"][opponent < 0]]
        strange = pd.concat([column.astype(str) for column in unknown]).unique().tolist()
        raise DataError(f"the fitted chain does not know {', '.join(strange)}; fit it again")
    start = named.cat.codes.to_numpy().astype(np.int64)
    last = (table["shots_left"] == 0).to_numpy()
    won = table["won"].to_numpy(dtype=float)
    end = len(found) + np.select([won == 1.0, won == 0.0], [0, 1], 2)
    following = np.append(start[1:], -1)
    target = np.where(last, end, following)
    rally = table["rally_id"].to_numpy(dtype=np.int64)
    return Transitions(table, found, names, start, target, striker, opponent, rally)


def count_moves(moves: Transitions) -> Floats:
    """Transition counts by player, shape (players, s, s + 3)."""
    s, players = len(moves.states), len(moves.players)
    known = moves.known
    code = (moves.striker * s + moves.start) * (s + 3) + moves.target
    counts = np.bincount(code[known], minlength=players * s * (s + 3))
    return counts.reshape(players, s, s + 3).astype(float)


@dataclass(frozen=True)
class ChainCounts:
    """All that a chain is fitted to: counts, (players, s, s + 3), players sorted."""

    states: list[str]
    players: list[str]
    counts: Floats

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

    A DataError when the state rule named other states in another part.
    """
    states: list[str] = []
    names: dict[str, int] = {}
    tables: list[Floats] = []
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
