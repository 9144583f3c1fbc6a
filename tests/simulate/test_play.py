"""The played matches agree with the solved chain, and with the rules of scoring."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

import sidewall.simulate as sim
from sidewall.simulate.pair import Pair
from sidewall.simulate.play import ERROR, GO_ON, LET, WIN, play_rallies
from sidewall.simulate.world import (
    CHOICE_OF,
    KINDS,
    LEVELS,
    MIDDLE,
    kind_of,
    levels,
    stack,
    stroke_mix,
)

CELL = ("side", "family", "depth", "balance")

BOUND = 4.0
MATCHES = 120
WORLDS = {
    "plain": sim.World(),
    "everything": sim.World(
        carry_over=0.6, strokes=True, steep=2.0, bent=True, kinks_m=0.08, centre=0.15, unseen=2.0
    ),
}


@dataclass
class Played:
    world: sim.World
    players: list[sim.SimPlayer]
    pair: Pair
    shots: pd.DataFrame


@pytest.fixture(scope="module", params=list(WORLDS))
def played(request: pytest.FixtureRequest) -> Played:
    world = WORLDS[request.param]
    players = sim.draw_players(["Rowan", "Hazel"], np.random.default_rng(21), world=world)
    shots = sim.play_matches(players, [(0, 1)] * MATCHES, np.random.default_rng(22), world)
    shots["rally_id"] = shots.groupby(["match", "game", "rally"], sort=False).ngroup()
    last = shots[shots["result"] != GO_ON]
    winner = np.select(
        [last["result"] == WIN, last["result"] == ERROR], [last["player"], 1 - last["player"]], -1
    )
    shots["winner"] = winner[shots["rally_id"]]
    return Played(world, players, Pair(world, *players), shots)


def clustered_score(residual: np.ndarray, rally: np.ndarray) -> float:
    """Mean residual over its standard error; the shots of a rally share one result."""
    by_rally = np.bincount(rally, weights=residual)
    return float(by_rally.sum() / np.sqrt((by_rally**2).sum()))


def at_balls(curves: np.ndarray, balls: pd.DataFrame) -> np.ndarray:
    """Look a curve of shape (*ball) up, linear between grid points."""
    gap = balls["gap_m"].to_numpy()
    upper = np.clip(np.searchsorted(sim.GAPS_M, gap - 1e-9), 1, None)
    share = (gap - sim.GAPS_M[upper - 1]) / np.diff(sim.GAPS_M)[upper - 1]
    cell = [balls[name].to_numpy() for name in ("side", "family", "depth", "balance")]
    return (1 - share) * curves[(*cell, upper - 1)] + share * curves[(*cell, upper)]


@pytest.mark.parametrize("stroke", range(5))
def test_a_stroke_forced_on_a_ball_wins_as_often_as_the_chain_says(
    played: Played, stroke: int
) -> None:
    """The estimand itself: own balls as they come, the stroke chosen for no reason at all.

    Two and a half million shots in all: every own ball of the log is played on from, with
    whatever no log holds as it was.
    """
    shots = played.shots
    a = stack(played.players)
    for me in (stroke % 2,):
        balls = shots[(shots["player"] == me) & (shots["shot"] > 1)]
        begin = {name: balls[name].to_numpy() for name in (*CELL, "gap_m", "out", "opponent_out")}
        begin["stroke"] = np.full(len(balls), stroke)
        who = np.full(len(balls), me)
        on = play_rallies(played.world, a, who, 1 - who, np.random.default_rng([stroke, me]), begin)
        last = on["result"] != GO_ON
        result, by = on["result"][last], on["who"][last]
        decided = result != LET
        won = np.where(result == WIN, by, 1 - by) == me
        chance = at_balls(played.pair.chances(me)[stroke], balls)
        residual = (won - chance)[decided]
        tight = balls["gap_m"].to_numpy()[decided]
        scores = [
            residual[rows].sum() / np.sqrt((residual[rows] ** 2).sum())
            for column in CELL
            for value in np.unique(balls[column])
            for low, high in ((-1, 0.2), (0.2, 0.5), (0.5, 9))
            if (
                rows := (balls[column].to_numpy()[decided] == value)
                & (tight > low)
                & (tight <= high)
            ).sum()
            > 500
        ]
        assert np.abs(scores).max() < BOUND
        assert 0.4 < np.std(scores) < 1.7  # spread of standard scores, not of zeros


def test_every_ball_and_every_serve_is_worth_what_the_chain_says(played: Played) -> None:
    decided = played.shots[played.shots["winner"] >= 0]
    for me in (0, 1):
        balls = decided[(decided["player"] == me) & (decided["shot"] > 1)]
        won = (balls["winner"] == me).to_numpy(dtype=float)
        residual = won - at_balls(played.pair.by_ball(me), balls)
        assert abs(clustered_score(residual, balls["rally_id"].to_numpy())) < BOUND
        serves = decided[(decided["player"] == me) & (decided["shot"] == 1)]
        served = (serves["winner"] == me).to_numpy(dtype=float) - played.pair.server[me]
        assert abs(clustered_score(served, serves["rally_id"].to_numpy())) < BOUND


def test_balls_come_as_often_as_the_chain_says(played: Played) -> None:
    shots = played.shots
    for me in (0, 1):
        own = shots[(shots["player"] == me) & (shots["shot"] > 1)]
        due = played.pair.own_balls(me)
        decided = shots.groupby("rally_id")["winner"].first() >= 0
        count = own.groupby("rally_id").size().reindex(decided.index, fill_value=0)
        more = (count - due.sum() * decided).to_numpy(dtype=float)
        assert abs(clustered_score(more, decided.index.to_numpy())) < BOUND
        for axis, name in enumerate(CELL):
            share = due.sum(axis=tuple(k for k in range(5) if k != axis)) / due.sum()
            for value, expected in enumerate(share):
                residual = (own[name] == value).to_numpy(dtype=float) - expected
                score = clustered_score(residual, own["rally_id"].to_numpy())
                assert abs(score) < BOUND, (name, value)
        mean = due.sum(axis=(0, 1, 2, 3)) @ sim.GAPS_M / due.sum()
        score = clustered_score(own["gap_m"].to_numpy() - mean, own["rally_id"].to_numpy())
        assert abs(score) < BOUND
        assert len(decided) > 5_000


def test_strokes_are_chosen_in_the_own_mix(played: Played) -> None:
    mix = played.pair.mix(0)
    own = played.shots[(played.shots["player"] == 0) & (played.shots["shot"] > 1)]
    for stroke in range(5):
        same = own[own["choice"] == CHOICE_OF[stroke]]
        cell = [same[name].to_numpy() for name in CELL]
        residual = (same["stroke"] == stroke).to_numpy(dtype=float) - mix[(stroke, *cell)]
        assert abs(clustered_score(residual, same["rally_id"].to_numpy())) < BOUND


def test_one_move_of_the_chain_by_plain_loops() -> None:
    """Where a ball on its way goes next, added up ball by ball and stroke by stroke."""
    world = sim.World(carry_over=0.5, centre=0.2)
    players = sim.draw_players(["Rowan", "Hazel"], np.random.default_rng(4))
    players[1] = replace(players[1], hand="left")
    pair = Pair(world, *players)
    a = stack(players)
    cells, gaps = world.cell_table, world.gap_table
    kind, level, out, other_out = 2, 1, 1, 0
    moved = np.zeros((len(KINDS), LEVELS, 2, 2))
    ends = np.zeros(2)
    for cell in np.ndindex(2, 2, 3, 2):
        side, family, depth, balance = cell
        for k in np.flatnonzero(gaps[level] > 1e-9):
            ball = (*cell, sim.GAPS_M[k])
            attack = float(world.attack_chance(a, 0, ball, 0.0))
            for stroke, share in enumerate(stroke_mix(a, 0, family, depth, balance)):
                weight = cells[(kind, level, out, *cell)] * gaps[level, k] * share
                weight *= attack if stroke < 3 else 1.0 - attack
                error, winner, reply, middle = world.shot(a, 0, ball, stroke, out)
                wins = (1 - error) * expit(winner - players[1].retrieving)
                ends += weight * (1 - world.let) * np.array([wins, error])
                on = weight * (1 - world.let) * (1 - error - wins)
                lower, upper = levels(reply)
                still = world.carry_over * max(balance, out)
                new, low = int(kind_of(stroke, side, True)), int(lower)
                to = np.zeros(LEVELS)
                to[low], to[low + 1] = 1 - upper, upper
                to *= 1 - middle
                to[MIDDLE] = middle
                moved[new, :, other_out] += on * np.outer(to, [1 - still, still])
    here = np.ravel_multi_index((kind, level, out, other_out), moved.shape)
    np.testing.assert_allclose(pair._moves_one[here], moved.ravel(), atol=1e-7)
    np.testing.assert_allclose(moved.sum() + ends.sum(), 1 - world.let, rtol=1e-6)


def test_lets_come_as_often_as_they_should(played: Played) -> None:
    share, count = played.world.let, len(played.shots)
    lets = (played.shots["result"] == LET).sum()
    assert abs(lets - count * share) < BOUND * np.sqrt(count * share * (1 - share))


def test_players_alternate(played: Played) -> None:
    coded = played.shots
    follows = coded["shot"] > 1
    assert (coded["player"].diff()[follows] != 0).all()
    assert (coded["shot"].diff()[follows] == 1).all()


def test_the_recorded_next_ball_is_the_one_that_is_met(played: Played) -> None:
    coded = played.shots
    followed = (coded["result"] == GO_ON).to_numpy()[:-1]
    for name in (*CELL, "gap_m"):
        sent, met = coded[f"next_{name}"].to_numpy()[:-1], coded[name].to_numpy()[1:]
        assert np.array_equal(sent[followed], met[followed])


@pytest.mark.parametrize("games_to_win", [2, 3])
def test_score_follows_the_rules(games_to_win: int) -> None:
    """A point a rally to 11, two clear; the winner serves next, a let is played again."""
    pair = [sim.SimPlayer("Rowan"), sim.SimPlayer("Hazel")]
    shots = sim.play_matches(
        pair, [(0, 1)] * 60, np.random.default_rng(23), games_to_win=games_to_win
    )
    deuce = False
    for _, match in shots.groupby("match"):
        games = [0, 0]
        server = match["player"].iloc[0]
        for number, game in match.groupby("game"):
            assert max(games) < games_to_win
            assert number == sum(games) + 1
            points = [0, 0]
            for _, rally in game.groupby("rally"):
                assert not (max(points) >= 11 and abs(points[0] - points[1]) >= 2)
                assert rally["player"].iloc[0] == server
                result, striker = rally["result"].iloc[-1], rally["player"].iloc[-1]
                if result != LET:
                    server = striker if result == WIN else 1 - striker
                    points[server] += 1
            assert max(points) >= 11
            assert abs(points[0] - points[1]) >= 2
            assert max(points) == 11 or abs(points[0] - points[1]) == 2
            deuce |= max(points) > 11
            games[int(points[1] > points[0])] += 1
        assert max(games) == games_to_win
    assert deuce
