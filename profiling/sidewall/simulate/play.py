"""Play matches: every match moves on by one shot at a time, all matches side by side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.simulate.draws import pick
from sidewall.simulate.physics import Physics, StrikerTables, striker_tables
from sidewall.simulate.players import SimPlayer

GO_ON, WIN, ERROR, LET = 0, 1, 2, 3
_POINTS, _CLEAR = 11, 2


class _Matches:
    """Score, server and ball of every match still going on (point-a-rally to 11)."""

    def __init__(self, count: int, games_to_win: int, rng: np.random.Generator) -> None:
        self.games_to_win = games_to_win
        self.points = np.zeros((count, 2), int)
        self.games = np.zeros((count, 2), int)
        self.game = np.ones(count, int)
        self.rally = np.ones(count, int)
        self.shot = np.ones(count, int)
        self.server = rng.integers(0, 2, count)
        self.striker = self.server.copy()
        self.cell = np.zeros((count, 2), int)
        self.gap = np.zeros(count, int)
        self.over = np.zeros(count, bool)

    def next_shot(self, live: NDArray, cell: NDArray, gap: NDArray) -> None:
        """Hand the ball to the opponent."""
        self.striker[live] = 1 - self.striker[live]
        self.shot[live] += 1
        self.cell[live], self.gap[live] = cell, gap

    def next_rally(self, ended: NDArray, winner: NDArray) -> None:
        """Count the point (winner -1 is a let), then set up the next serve."""
        scored, who = ended[winner >= 0], winner[winner >= 0]
        self.points[scored, who] += 1
        self.server[scored] = who
        mine, other = self.points[scored, who], self.points[scored, 1 - who]
        done = (mine >= _POINTS) & (mine - other >= _CLEAR)
        game_over, game_winner = scored[done], who[done]
        self.rally[ended] += 1
        self.games[game_over, game_winner] += 1
        self.game[game_over] += 1
        self.points[game_over] = 0
        self.rally[game_over] = 1
        self.over[game_over] = self.games[game_over, game_winner] >= self.games_to_win
        self.shot[ended] = 1
        self.striker[ended] = self.server[ended]


def play_matches(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: np.random.Generator,
    physics: Physics | None = None,
    games_to_win: int = 3,
) -> pd.DataFrame:
    """Play every match of a schedule and record the states of every shot.

    Parameters
    ----------
    players : sequence of SimPlayer
    schedule : sequence of (int, int)
        Positions in `players` of the two opponents of each match.
    rng : numpy.random.Generator
    physics : Physics, optional
    games_to_win : int, default 3
        3 for the best of five, 2 for the best of three.

    Returns
    -------
    DataFrame
        Whole numbers, sorted by match, game, rally and shot: ``match``, ``game``,
        ``rally``, ``shot``, ``player`` (position), ``side``, ``family``, ``gap`` (grid
        position), ``choice`` (0 attack, 1 reset), ``result`` (0 goes on, 1 wins, 2 error,
        3 let), ``next_side``, ``next_family``, ``next_gap`` (the ball on its way to the
        opponent; drawn before the result counts, so also after a last shot). A serve has
        side, family, gap and choice -1.
    """
    physics = physics or Physics()
    pair = np.asarray(schedule, dtype=int).reshape(-1, 2)
    tables = _stack(physics, players, pair)
    next_cell = np.cumsum(physics.next_cell().reshape(2, 4), axis=1)
    serve_cell = np.cumsum(physics.serve_cell().ravel())[None, :]
    serve_ends = np.cumsum(
        [
            (1 - physics.let) * (1 - physics.serve_winner - physics.serve_error),
            (1 - physics.let) * physics.serve_winner,
            (1 - physics.let) * physics.serve_error,
            physics.let,
        ]
    )[None, :]
    state = _Matches(len(pair), games_to_win, rng)
    record = []
    while not state.over.all():
        live = np.flatnonzero(~state.over)
        serve = state.shot[live] == 1
        who = 2 * live + state.striker[live]
        side, family = state.cell[live].T
        ball = (side, family, state.gap[live])
        choice = (rng.random(len(live)) >= tables.attack[who, *ball]).astype(int)
        at = (who, choice, *ball)
        ends = np.cumsum([tables.go_on[at], tables.win[at], tables.error[at]], axis=0).T
        ends = np.column_stack([ends, np.ones(len(live))])
        result = pick(rng, np.where(serve[:, None], serve_ends, ends))
        cell = pick(rng, np.where(serve[:, None], serve_cell, next_cell[choice]))
        median = np.where(serve, physics.serve_gap_m, tables.reply_m[at])
        drawn = median * np.exp(physics.reply_spread * rng.standard_normal(len(live)))
        gap = np.rint(np.minimum(drawn, physics.gaps_m[-1]) / physics.step_m).astype(int)
        record.append(
            np.column_stack(
                [
                    live,
                    state.game[live],
                    state.rally[live],
                    state.shot[live],
                    pair[live, state.striker[live]],
                    *(np.where(serve, -1, part) for part in (*ball, choice)),
                    result,
                    cell // 2,
                    cell % 2,
                    gap,
                ]
            )
        )
        ended = result != GO_ON
        striker = state.striker[live]
        winner = np.select([result == WIN, result == ERROR], [striker, 1 - striker], -1)
        on = live[~ended]
        new_cell = np.column_stack([cell // 2, cell % 2])[~ended]
        state.next_shot(on, new_cell, gap[~ended])
        state.next_rally(live[ended], winner[ended])
    columns = "match game rally shot player side family gap choice result"
    columns += " next_side next_family next_gap"
    shots = pd.DataFrame(np.concatenate(record), columns=columns.split())
    return shots.sort_values(["match", "game", "rally", "shot"], ignore_index=True)


def _stack(physics: Physics, players: Sequence[SimPlayer], pair: NDArray) -> StrikerTables:
    """Tables of both strikers of every match, at positions 2 * match + (0 or 1)."""
    known: dict[tuple[int, int], StrikerTables] = {}
    stacked = []
    for one, two in pair:
        for me, you in ((one, two), (two, one)):
            if (me, you) not in known:
                known[me, you] = striker_tables(physics, players[me], players[you])
            stacked.append(known[me, you])
    parts = ("attack", "win", "error", "go_on", "reply_m")
    return StrikerTables(*(np.stack([getattr(t, part) for t in stacked]) for part in parts))
