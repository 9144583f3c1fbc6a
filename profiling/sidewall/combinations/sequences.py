"""Shots of a rally as letters of an alphabet, and how often words of them occur.

A sequence ends with an own shot of the player, since that is what the player chooses; going
back from it, replies and own shots take turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.log.vocabulary import VOCABULARY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Letters:
    """A log (or half of one) as letters.

    Attributes
    ----------
    code : ndarray of int, shape (n,)
        Letter of every shot.
    names : list of str
        The letters in words.
    player, opponent, rally : ndarray of int, shape (n,)
    position : ndarray of int, shape (n,)
        Shots of the rally before this one.
    left : ndarray of int, shape (n,)
        Shots of the rally after this one.
    won : ndarray, shape (n,)
        1.0 if the striker won the rally, 0.0 if not, NaN for a let.
    players : int
    """

    code: Ints
    names: list[str]
    player: Ints
    opponent: Ints
    rally: Ints
    position: Ints
    left: Ints
    won: Floats
    players: int

    def of_rallies(self, kept: NDArray[np.bool_]) -> Letters:
        """The same for some rallies, given by a flag for each."""
        rows = kept[self.rally]
        return Letters(
            self.code[rows],
            self.names,
            self.player[rows],
            self.opponent[rows],
            self.rally[rows],
            self.position[rows],
            self.left[rows],
            self.won[rows],
            self.players,
        )


def letters_of(columns: ShotColumns, by: Sequence[str]) -> Letters:
    """Turn every shot into a letter: the words of the given columns.

    Raises
    ------
    DataError
        If a column is not one of the log's vocabulary, or missing.
    """
    shots = columns.shots
    code = np.zeros(len(shots), dtype=np.int64)
    parts = []
    for name in by:
        if name not in VOCABULARY:
            raise DataError(f"by: {name!r} is no column of words; use {', '.join(VOCABULARY)}.")
        if name not in shots.columns:
            raise DataError(
                f"The log has no column {name} to tell shots apart by: chart it, or leave it out."
            )
        words = VOCABULARY[name]
        found = pd.Categorical(shots[name], categories=list(words)).codes.astype(np.int64)
        code = code * (len(words) + 1) + found + 1
        parts.append(("", *(word.replace("_", " ") for word in words)))
    met, code = np.unique(code, return_inverse=True)
    names = []
    for letter in met:
        said, rest = [], int(letter)
        for words in reversed(parts):
            rest, at = divmod(rest, len(words))
            said.append(words[at])
        names.append(" ".join(word for word in said if word) or "not charted")
    winner = columns.winner[columns.runs.of_shot]
    won = np.where(winner < 0, np.nan, (winner == columns.player).astype(np.float64))
    return Letters(
        code.astype(np.int64),
        names,
        columns.player,
        columns.opponent,
        columns.runs.of_shot,
        columns.position,
        columns.left,
        won,
        len(columns.names),
    )


@dataclass(frozen=True)
class FirstOrder:
    """How each shot follows the one before, by player.

    ``starts[r]`` counts letters, ``moves[r]`` letters followed by letters, both by player;
    r is 0 where the first of the two is the player's own, 1 where it is the opponent's.
    Shapes (2, players, k) and (2, players, k, k). ``share`` is moves over starts: what is
    missing from 1 is the rallies that ended there.
    """

    starts: Floats
    moves: Floats

    @property
    def share(self) -> Floats:
        """Share of each move among all shots of its first letter."""
        return self.moves / np.maximum(self.starts, 1.0)[..., None]


def first_order(letters: Letters) -> FirstOrder:
    """Count letters and moves, each rally seen from both of its players."""
    k, players = len(letters.names), letters.players
    on = np.flatnonzero(letters.left > 0)
    starts, moves = [], []
    for who in (letters.player, letters.opponent):
        starts.append(np.bincount(who * k + letters.code, minlength=players * k))
        cell = (who[on] * k + letters.code[on]) * k + letters.code[on + 1]
        moves.append(np.bincount(cell, minlength=players * k * k))
    return FirstOrder(
        np.array(starts, dtype=np.float64).reshape(2, players, k),
        np.array(moves, dtype=np.float64).reshape(2, players, k, k),
    )


@dataclass(frozen=True)
class Candidates:
    """Sequences of one length.

    Attributes
    ----------
    player : ndarray of int, shape (m,)
    code : ndarray of int, shape (m, length)
        Letters, the last of them the player's own shot.
    chance : ndarray, shape (m,)
        Product of the conditional shares: how often the first letter is followed by the
        others if each shot follows from the one before alone.
    starts : ndarray, shape (m,)
        How often the first letter was played.
    """

    player: Ints
    code: Ints
    chance: Floats
    starts: Floats

    @property
    def expected(self) -> Floats:
        """Expected number of occurrences."""
        return self.starts * self.chance


def candidates(
    order: FirstOrder, length: int, least: float, player: int | None = None
) -> Candidates:
    """Every sequence that is expected to occur often enough, whether or not it did.

    The choice rests on the counts of pairs alone, so it does not favour sequences that
    happened to occur more often than their parts predict.

    Parameters
    ----------
    order : FirstOrder
    length : int
    least : float
        Least expected number of occurrences.
    player : int, optional
    """
    share = order.share
    role = (length - 1) % 2  # who strikes first, so that the last shot is the player's own
    many = order.starts[role] >= least
    if player is not None:
        many &= (np.arange(many.shape[0]) == player)[:, None]
    who, letter = np.nonzero(many)
    code, chance, starts = letter[:, None], np.ones(len(who)), order.starts[role][who, letter]
    for step in range(length - 1):
        following = share[(role + step) % 2][who, code[:, -1]]
        reach = chance[:, None] * following
        row, letter = np.nonzero(starts[:, None] * reach >= least)
        who, starts, chance = who[row], starts[row], reach[row, letter]
        code = np.column_stack([code[row], letter])
    return Candidates(who.astype(np.int64), code.astype(np.int64), chance, starts)


def sequence_keys(player: Ints, code: Ints, letters: int) -> Ints:
    """One integer for each (player, sequence)."""
    key = player.astype(np.int64)
    for column in code.T:
        key = key * letters + column
    return key


def occurrences(letters: Letters, found: Candidates) -> tuple[Ints, Ints]:
    """Rows at which a candidate ends, and which candidate it is, rows rising."""
    length, k = found.code.shape[1], len(letters.names)
    row = np.flatnonzero(letters.position >= length - 1)
    shifted = np.column_stack([letters.code[row - length + 1 + j] for j in range(length)])
    key = sequence_keys(letters.player[row], shifted, k)
    wanted = sequence_keys(found.player, found.code, k)
    order = np.argsort(wanted)
    if not len(wanted):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    at = np.minimum(np.searchsorted(wanted, key, sorter=order), len(wanted) - 1)
    which = order[at]
    hit = wanted[which] == key
    return row[hit], which[hit]
