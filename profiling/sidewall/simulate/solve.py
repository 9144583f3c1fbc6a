"""Exact values of the simulated rally chain, by linear algebra on its own gap grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidewall.simulate.physics import Physics, StrikerTables, striker_tables
from sidewall.simulate.players import SimPlayer

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PairValues:
    """Chances of a rally between two players, lets left out.

    Attributes
    ----------
    by_choice : tuple of ndarray, shape (choice, side, family, grid)
        For each of the two players as striker: P(wins the rally | ball, choice, no let).
    by_ball : tuple of ndarray, shape (side, family, grid)
        The same before the choice, at the player's own habit of choosing.
    server : tuple of float
        P(wins the rally | serves).
    """

    by_choice: tuple[Array, Array]
    by_ball: tuple[Array, Array]
    server: tuple[float, float]


def _gap_to_gap(physics: Physics, tables: StrikerTables) -> Array:
    """P(the ball comes back to the opponent with this gap | ball, choice).

    Shape (choice, side, family, grid, grid').
    """
    moved: Array = physics.gap_distribution(tables.reply_m) * tables.go_on[..., None]
    return moved


def solve_pair(physics: Physics, one: SimPlayer, two: SimPlayer) -> PairValues:
    """Solve the chain of a pair of players for the chance of winning from every ball.

    With W and L the chances that the striker wins and loses (a let takes the rest),
    ``W1 = w1 + T1 L2`` and ``L1 = e1 + T1 W2``, and the same with the players exchanged.
    The side and the family of the next ball hang on the choice alone, so the equations are
    written for the ball on its way, known by choice and gap: four times fewer than for the
    ball that is met, and solved directly.
    """
    tables = striker_tables(physics, one, two), striker_tables(physics, two, one)
    moves = tuple(_gap_to_gap(physics, t) for t in tables)
    policy = [np.stack([t.attack, 1.0 - t.attack]) for t in tables]
    ends = [np.stack([t.win, t.error], axis=-1) for t in tables]
    cell = physics.next_cell()
    size = 2 * len(physics.gaps_m)
    # on its way (choice c, gap k) -> met in cell (u, v) -> on its way again (choice d, gap l)
    onward = [
        np.einsum("cuv,duvk,duvkl->ckdl", cell, p, m, optimize=True).reshape(size, size)
        for p, m in zip(policy, moves, strict=True)
    ]
    ending = [
        np.einsum("cuv,duvk,duvkr->ckr", cell, p, e, optimize=True).reshape(size, 2)
        for p, e in zip(policy, ends, strict=True)
    ]

    # columns: (striker wins, striker loses); the opponent's loss is the striker's win
    system = np.eye(size) - onward[0] @ onward[1]
    first = np.linalg.solve(system, ending[0] + onward[0] @ ending[1][:, ::-1])
    coming = [first, ending[1] + onward[1] @ first[:, ::-1]]

    by_choice, by_ball, met = [], [], []
    for me, you in ((0, 1), (1, 0)):
        reply = coming[you].reshape(2, 1, 1, -1, 2)[..., ::-1]
        value = ends[me] + moves[me] @ reply
        by_choice.append(value[..., 0] / value.sum(axis=-1))
        met.append(np.einsum("csfg,csfgr->sfgr", policy[me], value))
        by_ball.append(met[me][..., 0] / met[me].sum(axis=-1))

    serve_gap = physics.gap_distribution(np.array(physics.serve_gap_m))
    receive = physics.serve_cell()[..., None] * serve_gap
    in_play = 1.0 - physics.serve_winner - physics.serve_error
    server = []
    for you in (1, 0):
        taken, lost = np.einsum("sfg,sfgr->r", receive, met[you])
        win = physics.serve_winner + in_play * lost
        lose = physics.serve_error + in_play * taken
        server.append(float(win / (win + lose)))
    return PairValues(
        (by_choice[0], by_choice[1]), (by_ball[0], by_ball[1]), (server[0], server[1])
    )


def crossing_gap(gaps_m: Array, difference: Array) -> float:
    """Gap at which an attack-minus-reset difference turns positive for good.

    Returns minus infinity when it is positive everywhere, plus infinity when it is never
    positive at the widest gap; linear between grid points.
    """
    if difference[-1] <= 0:
        return float("inf")
    below = np.flatnonzero(difference <= 0)
    if len(below) == 0:
        return float("-inf")
    k = below[-1]
    share = -difference[k] / (difference[k + 1] - difference[k])
    return float(gaps_m[k] + share * (gaps_m[k + 1] - gaps_m[k]))
