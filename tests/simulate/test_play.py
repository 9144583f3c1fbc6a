"""The played matches agree with the solved chain, and with the rules of scoring."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall.simulate as sim
from sidewall.simulate.play import ERROR, GO_ON, LET, WIN

BOUND = 4.0
MATCHES = 1500


@pytest.fixture(scope="module")
def pair() -> list[sim.SimPlayer]:
    return sim.draw_players(["Rowan", "Hazel"], np.random.default_rng(21))


@pytest.fixture(scope="module")
def coded(pair: list[sim.SimPlayer]) -> pd.DataFrame:
    shots = sim.play_matches(pair, [(0, 1)] * MATCHES, np.random.default_rng(22))
    shots["rally_id"] = shots.groupby(["match", "game", "rally"], sort=False).ngroup()
    last = shots[shots["result"] != GO_ON]
    winner = np.select(
        [last["result"] == WIN, last["result"] == ERROR], [last["player"], 1 - last["player"]], -1
    )
    shots["winner"] = winner[shots["rally_id"]]
    return shots


def clustered_score(residual: np.ndarray, rally: np.ndarray) -> float:
    """Mean residual over its standard error; the shots of a rally share one result."""
    by_rally = np.bincount(rally, weights=residual)
    return float(by_rally.sum() / np.sqrt((by_rally**2).sum()))


def test_every_choice_wins_as_often_as_the_chain_says(
    pair: list[sim.SimPlayer], coded: pd.DataFrame
) -> None:
    physics = sim.Physics()
    values = sim.solve_pair(physics, *pair)
    decided = coded[(coded["winner"] >= 0) & (coded["shot"] > 1)]
    band = np.digitize(decided["gap"] * physics.step_m, [0.2, 0.5])
    scores = []
    for me in (0, 1):
        for cell in np.ndindex(2, 2, 2, 3):
            choice, side, family, which = cell
            rows = decided[
                (decided["player"] == me)
                & (decided["choice"] == choice)
                & (decided["side"] == side)
                & (decided["family"] == family)
                & (band == which)
            ]
            chance = values.by_choice[me][choice, side, family, rows["gap"]]
            won = (rows["winner"] == me).to_numpy(dtype=float)
            scores.append(clustered_score(won - chance, rows["rally_id"].to_numpy()))
    assert np.abs(scores).max() < BOUND
    assert 0.5 < np.std(scores) < 1.6  # spread of standard scores, not of zeros


def test_every_ball_and_every_serve_is_worth_what_the_chain_says(
    pair: list[sim.SimPlayer], coded: pd.DataFrame
) -> None:
    values = sim.solve_pair(sim.Physics(), *pair)
    decided = coded[coded["winner"] >= 0]
    for me in (0, 1):
        balls = decided[(decided["player"] == me) & (decided["shot"] > 1)]
        chance = values.by_ball[me][balls["side"], balls["family"], balls["gap"]]
        won = (balls["winner"] == me).to_numpy(dtype=float)
        assert abs(clustered_score(won - chance, balls["rally_id"].to_numpy())) < BOUND
        serves = decided[(decided["player"] == me) & (decided["shot"] == 1)]
        served = (serves["winner"] == me).to_numpy(dtype=float) - values.server[me]
        assert abs(clustered_score(served, serves["rally_id"].to_numpy())) < BOUND


def test_lets_come_as_often_as_they_should(coded: pd.DataFrame) -> None:
    share = sim.Physics().let
    lets = (coded["result"] == LET).sum()
    error = np.sqrt(len(coded) * share * (1 - share))
    assert abs(lets - len(coded) * share) < BOUND * error


def test_players_alternate(coded: pd.DataFrame) -> None:
    follows = coded["shot"] > 1
    assert (coded["player"].diff()[follows] != 0).all()
    assert (coded["shot"].diff()[follows] == 1).all()


def test_the_recorded_next_ball_is_the_one_that_is_met(coded: pd.DataFrame) -> None:
    followed = (coded["result"] == GO_ON).to_numpy()[:-1]
    for name in ("side", "family", "gap"):
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
