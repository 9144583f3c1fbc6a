"""Play matches: rallies are played side by side, then matches take them one by one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from sidewall.arguments import Array, Ints
from sidewall.errors import DataError
from sidewall.simulate import world as physics
from sidewall.simulate.world import SimPlayer, World

Codes = Ints

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

    The circle method: one player stays, the others move on by one place each round; with an
    odd number one of them rests.

    Parameters
    ----------
    players : int
        At least 2.
    rounds : int, optional
        By default everyone meets everyone once. More rounds begin again.

    Returns
    -------
    list of (int, int)
        Positions of the two players of each match, in order of play.

    Raises
    ------
    DataError
        If there are fewer than two players, or fewer than no rounds.

    See Also
    --------
    sidewall.simulate.simulate_shots

    Examples
    --------
    >>> sw.simulate.round_robin(4)
    [(0, 3), (1, 2), (0, 1), (2, 3), (0, 2), (3, 1)]
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
    """Refuse a schedule that cannot be played."""
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
    season = np.linspace(0.0, 1.0, len(schedule)) if len(schedule) > 1 else np.array([0.5])
    form, at = zip(schedule, season.tolist(), strict=True), physics.at_season
    return [(at(players[one], when), at(players[two], when)) for (one, two), when in form]


def play_rallies(
    world: World,
    a: Any,
    server: Codes,
    receiver: Codes,
    rng: np.random.Generator,
    begin: Mapping[str, Array] | None = None,
) -> dict[str, Array]:
    """Play one rally for each pair of a server and a receiver, positions in `a`.

    Abilities `a` are from :func:`~sidewall.simulate.world.stack`. With `begin` a rally begins
    in the middle, with this ball to the server and this stroke: side, family, depth, balance,
    gap_m, out, opponent_out and stroke, as in :func:`play_matches`. Returns its columns, one
    value a shot and rally by rally, with ``who``, a position in `a`, for the player, and
    ``rally``, a position in `server`.
    """
    arrive = world.cell_table.reshape(physics.SERVE_KIND + 1, physics.MIDDLE + 1, world.bits, -1)
    names = ("side", "family", "depth", "balance")
    count, kept = len(server), 1.0 - world.let
    rally, who, other, serves = np.arange(count), server, receiver, begin is None
    cell, gap, forced = np.full((len(physics.CELL), count), -1), np.zeros(count), None
    out = other_out = np.zeros(count, dtype=np.int64)
    if begin is not None:
        cell, gap, forced = np.array([begin[n] for n in names]), begin["gap_m"], begin["stroke"]
        out, other_out = begin["out"], begin["opponent_out"]
    record = []
    while n := len(rally):
        ends = rng.random(n)
        if serves:
            stroke = choice = np.full(n, -1)
            win, error, ease = np.full((n, 3), (world.serve_winner, world.serve_error, 0.0)).T
            level = pick(rng, np.broadcast_to(world.serve_levels, (n, physics.MIDDLE + 1)))
            kind = np.full(n, physics.SERVE_KIND)
        else:
            ball = (*cell, gap)
            ease = world.eases[rng.integers(0, len(world.eases), n)]
            attacks = rng.random(n) < world.attack_chance(a, who, ball, ease)
            choice = np.where(attacks, physics.ATTACK, physics.RESET)
            mix = physics.stroke_mix(a, who, *cell[1:]) * (choice[:, None] == physics.CHOICE_OF)
            stroke = pick(rng, mix) if forced is None else forced
            choice, forced = physics.CHOICE_OF[stroke], None
            error, winner, reply, middle = world.shot(a, who, ball, stroke, out, ease)
            win = expit(winner + physics.open_to_winners(a, other, other_out)) * (1.0 - error)
            lower, share = physics.levels(reply)
            through = rng.random(n) < middle
            level = np.where(through, physics.MIDDLE, lower + (rng.random(n) < share))
            kind = physics.kind_of(stroke, cell[0], a.left[who] != a.left[other])
        bounds = np.cumsum([kept * win, kept * error, np.full(n, world.let)], axis=0)
        result = np.array([GO_ON, LET, ERROR, WIN])[(ends < bounds).sum(axis=0)]
        met = np.array(np.unravel_index(pick(rng, arrive[kind, level, other_out]), physics.CELL))
        next_gap = world.draw_gaps(level, rng)
        row = dict(zip(names, cell, strict=True))
        row |= {f"next_{name}": part for name, part in zip(names, met, strict=True)}
        row |= {"rally": rally, "who": who, "stroke": stroke, "choice": choice, "result": result}
        row |= {"kind": kind, "level": level, "out": out, "opponent_out": other_out}
        record.append(row | {"gap_m": gap, "next_gap_m": next_gap, "error": error, "ease": ease})
        still = (rng.random(n) < world.still_out(cell[3], out)).astype(np.int64)
        on, serves = result == GO_ON, False
        rally, who, other, out, other_out, gap = (
            part[on] for part in (rally, other, who, other_out, still, next_gap)
        )
        cell = met[:, on]
    order = np.argsort(np.concatenate([row["rally"] for row in record]), kind="stable")
    return {name: np.concatenate([row[name] for row in record])[order] for name in record[0]}


class _Matches:
    """Score and server of every match, point-a-rally to 11."""

    def __init__(self, count: int, games_to_win: int, rng: np.random.Generator) -> None:
        self.games_to_win, self.over = games_to_win, np.zeros(count, bool)
        self.points, self.games = np.zeros((2, count, 2), int)
        self.game, self.rally = np.ones((2, count), int)
        self.server = rng.integers(0, 2, count)

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
    players, schedule, world, games_to_win
        As in :func:`~sidewall.simulate.simulate_shots`.
    rng : numpy.random.Generator

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

    See Also
    --------
    sidewall.simulate.simulate_shots

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> played = sw.simulate.play_matches(players, [(0, 1)], np.random.default_rng(2))
    >>> played[["game", "rally", "shot", "player", "gap_m"]].head(2)
       game  rally  shot  player  gap_m
    0     1      1     1       1   0.00
    1     1      1     2       0   0.13
    """
    world = world or World()
    pair = np.asarray(schedule, dtype=np.int64).reshape(-1, 2)
    a = physics.stack([one for both in match_players(players, schedule) for one in both])
    state = _Matches(len(pair), games_to_win, rng)
    played: list[dict[str, Array]] = []
    number = np.zeros((len(pair), 2, 0), dtype=np.int64)  # of each rally played ahead
    winner = np.zeros(0, dtype=np.int64)
    used = np.zeros((len(pair), 2), dtype=np.int64)
    taken = []
    while not state.over.all():
        live = np.flatnonzero(~state.over)
        serving = state.server[live]
        if (used[live, serving] == number.shape[2]).any():
            more = _MORE if played else _AHEAD * games_to_win // 3
            fresh = np.full((len(pair), 2, more), -1)
            fresh[live] = len(winner) + np.arange(len(live) * 2 * more).reshape(-1, 2, more)
            number = np.concatenate([number, fresh], axis=2)
            server: Codes = np.repeat(2 * live[:, None] + [0, 1], more)
            shots = play_rallies(world, a, server, server ^ 1, rng)
            shots["rally"] += len(winner)
            played.append(shots)
            won, by = (shots[name][shots["result"] != GO_ON] for name in ("result", "who"))
            sides = [by % 2, 1 - by % 2]
            winner = np.append(winner, np.select([won == WIN, won == ERROR], sides, -1))
        rally = number[live, serving, used[live, serving]]
        used[live, serving] += 1
        before = (*state.points[live].T, *state.games[live].T)
        taken.append(np.array([live, state.game[live], state.rally[live], rally, *before]))
        state.next_rally(live, winner[rally])
    whole = {name: np.concatenate([part[name] for part in played]) for name in played[0]}
    by_rally = np.concatenate(taken, axis=1)
    by_rally = by_rally[:, np.argsort(by_rally[0], kind="stable")]
    begins = np.searchsorted(whole["rally"], np.arange(len(winner) + 1))
    length = np.diff(begins)[by_rally[3]]
    match, game, within, rally, *score = np.repeat(by_rally, length, axis=1)
    shot = np.arange(len(match)) - np.repeat(np.cumsum(length) - length, length)
    whole = {name: values[begins[rally] + shot] for name, values in whole.items()}
    first = whole["who"] % 2 == 0
    columns = {"match": match, "game": game, "rally": within, "shot": shot + 1}
    columns["player"] = pair.ravel()[whole["who"]]
    for k, name in enumerate(("points", "games")):
        one, two = score[2 * k : 2 * k + 2]
        columns[f"own_{name}"] = np.where(first, one, two)
        columns[f"opponent_{name}"] = np.where(first, two, one)
    columns |= {name: part for name, part in whole.items() if name not in ("who", "rally")}
    return pd.DataFrame(columns)
