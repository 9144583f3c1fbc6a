"""Play matches: rallies are played side by side, then matches take them one by one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.errors import DataError
from sidewall.simulate.players import SimPlayer
from sidewall.simulate.world import (
    ATTACK,
    CELL,
    CHOICE_OF,
    MIDDLE,
    RESET,
    SERVE_KIND,
    Abilities,
    World,
    attack_chance,
    cell_table,
    draw_gaps,
    kind_of,
    levels,
    open_to_winners,
    serve_levels,
    shot,
    stroke_mix,
)

Codes = NDArray[np.int64]

_WHOLE = (
    *("rally", "who", "side", "family", "depth", "balance", "stroke", "choice", "result"),
    *("next_side", "next_family", "next_depth", "next_balance", "kind", "level"),
    *("out", "opponent_out"),
)
_REAL = ("gap_m", "next_gap_m", "error", "ease")
GO_ON, WIN, ERROR, LET = 0, 1, 2, 3
_POINTS, _CLEAR = 11, 2
#: Rallies played ahead for each server: at first a match's worth, then a few at a time.
_AHEAD, _MORE = 48, 16


def pick(rng: np.random.Generator, weights: Any) -> Codes:
    """Draw one index a row from rows of weights, shape (n, k); they need not add up to 1."""
    cumulative = np.cumsum(weights, axis=1)
    drawn: Codes = (rng.random((len(cumulative), 1)) * cumulative[:, -1:] > cumulative).sum(axis=1)
    return drawn


def round_robin(players: int, rounds: int | None = None) -> list[tuple[int, int]]:
    """Pair the players round by round, so that all have met once before any meet again.

    The circle method: one player stays, the others move on by one place each round.

    Parameters
    ----------
    players : int
        At least 2. With an odd number one of them rests in each round.
    rounds : int, optional
        How many rounds; by default everyone meets everyone once. More rounds begin again.

    Returns
    -------
    list of (int, int)
        Positions of the two players of each match, in order of play.

    Raises
    ------
    DataError
        If there are fewer than two players, or a negative number of rounds.
    """
    if players < 2:
        raise DataError(f"A round robin of {players} players: at least two are needed.")
    places: list[int | None] = [*range(players), *([None] if players % 2 else [])]
    full = len(places) - 1
    if rounds is None:
        rounds = full
    if rounds < 0:
        raise DataError(f"{rounds} rounds: the number cannot be negative.")
    schedule = []
    for turn in range(rounds):
        shift = turn % full
        circle = [places[0], *places[1 + shift :], *places[1 : 1 + shift]]
        for k in range(len(circle) // 2):
            one, two = circle[k], circle[-1 - k]
            if one is not None and two is not None:
                schedule.append((one, two))
    return schedule


def check_schedule(players: Sequence[SimPlayer], schedule: Sequence[tuple[int, int]]) -> None:
    """Refuse a schedule that cannot be played.

    Raises
    ------
    DataError
        See :func:`~sidewall.simulate.dress.simulate_shots`.
    """
    names = [player.name for player in players]
    if len(set(names)) != len(names):
        raise DataError(f"Two players share a name: {', '.join(names)}. Names must differ.")
    if not schedule:
        raise DataError("The schedule is empty: give at least one match.")
    for number, (one, two) in enumerate(schedule, start=1):
        if one == two or not (0 <= one < len(names) and 0 <= two < len(names)):
            raise DataError(
                f"Match {number} of the schedule is ({one}, {two}): give two different positions "
                f"from 0 to {len(names) - 1}."
            )


def match_players(
    players: Sequence[SimPlayer], schedule: Sequence[tuple[int, int]]
) -> list[tuple[SimPlayer, SimPlayer]]:
    """Both players of every match, at their form of that part of the season."""
    season = np.linspace(0.0, 1.0, len(schedule)) if len(schedule) > 1 else [0.5]
    return [
        (players[one].at(float(when)), players[two].at(float(when)))
        for (one, two), when in zip(schedule, season, strict=True)
    ]


def play_rallies(
    world: World,
    a: Abilities,
    server: Codes,
    receiver: Codes,
    rng: np.random.Generator,
    begin: Mapping[str, NDArray[Any]] | None = None,
) -> dict[str, NDArray[Any]]:
    """Play one rally for each pair of a server and a receiver.

    Parameters
    ----------
    world : World
    a : Abilities
    server, receiver : ndarray, shape (rallies,)
        Positions in `a`.
    rng : numpy.random.Generator
    begin : mapping of str to ndarray, shape (rallies,), optional
        Begin in mid-rally, with this ball to the server and this stroke: side, family, depth,
        balance, gap_m, out, opponent_out and stroke, as in :func:`play_matches`.

    Returns
    -------
    dict of ndarray, shape (shots,)
        One value a shot, rally by rally; the columns of :func:`play_matches` with ``who``,
        a position in `a`, for the player, and ``rally``, a position in `server`.
    """
    arrive = cell_table(world).reshape(SERVE_KIND + 1, MIDDLE + 1, world.bits, -1)
    rally = np.arange(len(server))
    who, other = server, receiver
    nobody = np.zeros(len(rally), dtype=np.int64)
    out, other_out = nobody, nobody
    cell, gap, turn = np.zeros((4, len(rally)), dtype=np.int64), np.zeros(len(rally)), 1
    if begin is not None:
        cell = np.array([begin[name] for name in ("side", "family", "depth", "balance")])
        gap, out, other_out, turn = begin["gap_m"], begin["out"], begin["opponent_out"], 0
    record = []
    while len(rally):
        n = len(rally)
        uniform = rng.random(n)
        if turn == 1:
            stroke, choice, ease = nobody - 1, nobody - 1, np.zeros(n)
            error = np.full(n, world.serve_error)
            win = np.full(n, world.serve_winner)
            level = pick(rng, np.broadcast_to(serve_levels(world), (n, MIDDLE + 1)))
            kind = nobody + SERVE_KIND
        else:
            ball = (*cell, gap)
            ease = world.eases[rng.integers(0, len(world.eases), n)]
            stroke = _stroke(world, a, who, ball, ease, rng)
            if begin is not None and turn == 0:
                stroke = begin["stroke"]
            choice = CHOICE_OF[stroke]
            made = shot(world, a, who, ball, stroke, out, ease)
            error = made.error
            win = (1.0 - error) * expit(made.winner + open_to_winners(a, other, other_out))
            lower, share = levels(made.reply)
            level = np.where(rng.random(n) < made.middle, MIDDLE, lower + (rng.random(n) < share))
            kind = kind_of(stroke, cell[0], a.left[who] != a.left[other])
        kept = 1.0 - world.let
        bounds = np.cumsum([kept * win, kept * error, np.full(n, world.let)], axis=0)
        result = (LET - (uniform < bounds).sum(axis=0) + 1) % (LET + 1)
        met = np.unravel_index(pick(rng, arrive[kind, level, other_out]), CELL)
        new_gap = draw_gaps(world, level, rng)
        row = (rally, who, *(np.where(stroke < 0, -1, part) for part in cell), stroke, choice)
        row += (result, *met, kind, level, out, other_out)
        record.append((np.array(row), np.array([gap, new_gap, error, ease])))
        still = (rng.random(n) < world.still_out(cell[3], out)).astype(np.int64)
        on = result == GO_ON
        rally, who, other = rally[on], other[on], who[on]
        out, other_out = other_out[on], still[on]
        cell, gap, nobody = np.array(met)[:, on], new_gap[on], nobody[on]
        turn = 2
    whole = np.concatenate([part[0] for part in record], axis=1)
    real = np.concatenate([part[1] for part in record], axis=1)
    order = np.argsort(whole[0], kind="stable")
    return dict(zip(_WHOLE, whole[:, order], strict=True)) | dict(
        zip(_REAL, real[:, order], strict=True)
    )


def _stroke(
    world: World, a: Abilities, who: Codes, ball: Any, ease: Any, rng: np.random.Generator
) -> Codes:
    """Draw the choice by habit, then one of the strokes that serve it."""
    attacks = rng.random(len(who)) < attack_chance(world, a, who, ball, ease)
    choice = np.where(attacks, ATTACK, RESET)
    return pick(rng, stroke_mix(a, who, *ball[1:4]) * (choice[:, None] == CHOICE_OF))


class _Matches:
    """Score and server of every match, point-a-rally to 11."""

    def __init__(self, count: int, games_to_win: int, rng: np.random.Generator) -> None:
        self.games_to_win = games_to_win
        self.points = np.zeros((count, 2), int)
        self.games = np.zeros((count, 2), int)
        self.game = np.ones(count, int)
        self.rally = np.ones(count, int)
        self.server = rng.integers(0, 2, count)
        self.over = np.zeros(count, bool)

    def next_rally(self, live: Codes, winner: Codes) -> None:
        """Count the point (winner -1 is a let), and name the next server."""
        scored, who = live[winner >= 0], winner[winner >= 0]
        self.points[scored, who] += 1
        self.server[scored] = who
        mine, other = self.points[scored, who], self.points[scored, 1 - who]
        done = (mine >= _POINTS) & (mine - other >= _CLEAR)
        game_over, game_winner = scored[done], who[done]
        self.rally[live] += 1
        self.games[game_over, game_winner] += 1
        self.game[game_over] += 1
        self.points[game_over] = 0
        self.rally[game_over] = 1
        self.over[game_over] = self.games[game_over, game_winner] >= self.games_to_win


def play_matches(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: np.random.Generator,
    world: World | None = None,
    games_to_win: int = 3,
) -> pd.DataFrame:
    """Play every match of a schedule and record the states of every shot.

    Parameters
    ----------
    players : sequence of SimPlayer
    schedule : sequence of (int, int)
        Positions in `players` of the two opponents of each match.
    rng : numpy.random.Generator
    world : World, optional
        The plain game by default.
    games_to_win : int, default 3
        3 for the best of five, 2 for the best of three.

    Returns
    -------
    DataFrame
        Sorted by match, game, rally and shot: ``match``, ``game``, ``rally``, ``shot``,
        ``player`` (position), the score before the rally, ``own_points`` and so on; the ball
        that is met, ``side``, ``family``, ``depth``, ``balance`` (0 set, 1 stretched),
        ``gap_m``, and what no log holds of it, ``out``, ``opponent_out`` (out of place) and
        ``ease``; ``choice`` (0 attack, 1 reset) and
        ``stroke`` (position in ``PLAYED``); ``error``, the chance of losing with this shot;
        ``result`` (0 goes on, 1 wins, 2 error, 3 let); the ball on its way, ``kind`` and
        ``level``, and how it is met, ``next_side`` and so on (drawn before the result counts,
        so also after a last shot). A serve has side to stroke -1.
    """
    world = world or World()
    pair = np.asarray(schedule, dtype=np.int64).reshape(-1, 2)
    a = Abilities.of([one for both in match_players(players, schedule) for one in both])
    state = _Matches(len(pair), games_to_win, rng)
    played: list[dict[str, NDArray[Any]]] = []
    count = 0  # rallies so far
    number = np.zeros((len(pair), 2, 0), dtype=np.int64)  # of each rally ahead
    winner = np.zeros(0, dtype=np.int64)
    used = np.zeros((len(pair), 2), dtype=np.int64)
    taken = []
    while not state.over.all():
        live = np.flatnonzero(~state.over)
        if (used[live, state.server[live]] == number.shape[2]).any():
            more = _MORE if played else _AHEAD * games_to_win // 3
            fresh = np.full((len(pair), 2, more), -1)
            fresh[live] = count + np.arange(len(live) * 2 * more).reshape(-1, 2, more)
            server: Codes = np.repeat(2 * live[:, None] + [0, 1], more)
            shots = play_rallies(world, a, server, server ^ 1, rng)
            last = shots["result"] != GO_ON
            won, by = shots["result"][last], shots["who"][last] % 2
            winner = np.append(winner, np.select([won == WIN, won == ERROR], [by, 1 - by], -1))
            shots["rally"] += count
            count += len(server)
            played.append(shots)
            number = np.concatenate([number, fresh], axis=2)
        serving = state.server[live]
        rally = number[live, serving, used[live, serving]]
        used[live, serving] += 1
        before = (*state.points[live].T, *state.games[live].T)
        taken.append(np.array([live, state.game[live], state.rally[live], rally, *before]))
        state.next_rally(live, winner[rally])
    match, game, within, rally, *score = np.concatenate(taken, axis=1)
    whole = {name: np.concatenate([part[name] for part in played]) for name in played[0]}
    order = np.argsort(match, kind="stable")
    begins = np.searchsorted(whole["rally"], np.arange(count + 1))
    length = np.diff(begins)[rally[order]]
    shot_number = np.arange(length.sum()) - np.repeat(np.cumsum(length) - length, length)
    at = np.repeat(begins[rally[order]], length) + shot_number
    of_rally = (np.repeat(column[order], length) for column in (match, game, within))
    columns = dict(zip(("match", "game", "rally"), of_rally, strict=True))
    who = whole.pop("who")[at]
    columns |= {"shot": shot_number + 1, "player": pair.ravel()[who]}
    points_games = np.repeat(np.array(score)[:, order], length, axis=1).reshape(2, 2, -1)
    for name, of_player in zip(("points", "games"), points_games, strict=True):
        for whose, side in (("own", who % 2), ("opponent", 1 - who % 2)):
            columns[f"{whose}_{name}"] = np.where(side == 0, *of_player)
    del whole["rally"]
    return pd.DataFrame(columns | {name: values[at] for name, values in whole.items()})
