"""Synthetic canonical shot tables, and a small one worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.log.vocabulary import VOCABULARY

PLAYERS = ["Rowan", "Hazel", "Alder"]


def canonical(frame: pd.DataFrame, players: list[str]) -> pd.DataFrame:
    """Give plain columns the categories of a canonical table."""
    frame = frame.copy()
    frame["match"] = pd.Categorical(frame["match"], categories=frame["match"].unique())
    for column in ("player", "opponent", "rally_won_by"):
        frame[column] = pd.Categorical(frame[column], categories=players)
    for column, words in VOCABULARY.items():
        if column in frame:
            frame[column] = pd.Categorical(frame[column], categories=words)
    if "hand" in frame:
        frame["hand"] = pd.Categorical(frame["hand"], categories=["right", "left"])
    for column in ("game", "rally", "shot", "line"):
        frame[column] = frame[column].astype("int64")
    return frame


def random_log(
    rallies: int, seed: int = 0, *, full: bool = True, rallies_a_game: int = 20
) -> pd.DataFrame:
    """Rallies of random shots; games of `rallies_a_game`, three games a match."""
    rng = np.random.default_rng(seed)
    length = 1 + rng.geometric(0.12, rallies)
    n = int(length.sum())
    of = np.repeat(np.arange(rallies), length)
    first = np.cumsum(length) - length
    shot = np.arange(n) - first[of] + 1
    match = np.arange(rallies) // (3 * rallies_a_game)
    game = np.arange(rallies) // rallies_a_game % 3 + 1
    pair = np.array([[0, 1], [1, 2], [2, 0]])[match % 3]
    server = rng.integers(0, 2, rallies)
    striker = (server[of] + shot - 1) % 2
    player, opponent = pair[of, striker], pair[of, 1 - striker]
    winner = rng.integers(0, 2, rallies)
    let = rng.random(rallies) < 0.06
    last = first + length - 1

    names = np.array(PLAYERS, dtype=object)
    won_by = np.full(n, None, dtype=object)
    won_by[last[~let]] = names[pair[np.arange(rallies), winner]][~let]
    ending = np.full(n, None, dtype=object)
    ending[last] = np.where(
        let, "let", np.where(striker[last] == winner, "winner", rng.choice(["tin", "out"], rallies))
    )
    serve = shot == 1
    stroke = np.where(serve, "serve", rng.choice(["drive", "drop", "boast", "kill"], n))
    choice = np.where(np.isin(stroke, ["drop", "kill"]), "attack", "reset").astype(object)
    choice[serve] = None
    frame = pd.DataFrame(
        {
            "match": [f"m{k}" for k in match[of]],
            "game": game[of],
            "rally": of % rallies_a_game + 1,
            "shot": shot,
            "player": names[player],
            "opponent": names[opponent],
            "side": rng.choice(["forehand", "backhand"], n, p=[0.4, 0.6]),
            "stroke": stroke,
            "gap_m": np.where(serve, np.nan, rng.gamma(2.0, 0.3, n).clip(max=3.1)),
            "choice": choice,
            "rally_won_by": won_by,
            "ending": ending,
            "line": np.arange(n) + 2,
        }
    )
    if full:
        direction = rng.choice(["straight", "cross"], n).astype(object)
        direction[rng.random(n) < 0.05] = None
        frame["direction"] = direction
        contact = rng.choice(["volley", "after_bounce", "off_back_wall"], n).astype(object)
        contact[serve | (rng.random(n) < 0.03)] = None
        frame["contact"] = contact
        frame["hand"] = np.array(["right", "left", "right"], dtype=object)[player]
        frame["x_m"] = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(0, 6.4, n))
        frame["y_m"] = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(0, 9.75, n))
        frame["opponent_x_m"] = rng.uniform(0, 6.4, n)
        frame["opponent_y_m"] = rng.uniform(0, 9.75, n)
        frame["t_s"] = np.cumsum(rng.uniform(0.9, 1.8, n))
        scoring = np.where(match % 2 == 0, "par", "hiho")
        frame["scoring"] = scoring[of]
    return canonical(frame, PLAYERS)


@pytest.fixture
def make_log():
    return random_log


@pytest.fixture
def as_canonical():
    return canonical


@pytest.fixture
def three_rallies() -> pd.DataFrame:
    """Rowan (right-handed) against Hazel (left-handed): 5 shots, a let of 2, 3 shots."""
    rows = [
        # game rally shot player side stroke direction contact gap choice x y t
        (1, 1, 1, "Rowan", "forehand", "serve", None, None, None, None, 5.0, 6.0, 10.0),
        (1, 1, 2, "Hazel", "backhand", "drive", "straight", "volley", 0.9, "reset", 5.5, 7.0, 11.1),
        (1, 1, 3, "Rowan", "forehand", "drive", "straight", "after_bounce", 0.3, "reset",
         6.1, 8.5, 12.5),
        (1, 1, 4, "Hazel", "backhand", "boast", None, "off_back_wall", 0.2, "reset",
         None, None, 13.6),
        (1, 1, 5, "Rowan", "backhand", "drop", "straight", "after_bounce", 1.0, "attack",
         1.0, 2.0, 15.0),
        (1, 2, 1, "Rowan", "forehand", "serve", None, None, None, None, 1.5, 6.0, 30.0),
        (1, 2, 2, "Hazel", "forehand", "drive", "cross", "volley", 1.2, "reset", None, None, 31.0),
        (1, 3, 1, "Rowan", "forehand", "serve", None, None, None, None, 5.0, 6.0, 50.0),
        (1, 3, 2, "Hazel", "backhand", "drive", "straight", "volley", 0.8, "reset", 5.6, 6.9, 51.0),
        (1, 3, 3, "Rowan", "forehand", "kill", "cross", "volley", 2.0, "attack", 4.4, 4.0, 52.2),
    ]  # fmt: skip
    frame = pd.DataFrame(
        rows,
        columns=["game", "rally", "shot", "player", "side", "stroke", "direction", "contact",
                 "gap_m", "choice", "x_m", "y_m", "t_s"],
    )  # fmt: skip
    frame[["gap_m", "x_m", "y_m"]] = frame[["gap_m", "x_m", "y_m"]].astype(float)
    frame["match"] = "final"
    frame["opponent"] = np.where(frame["player"] == "Rowan", "Hazel", "Rowan")
    frame["hand"] = np.where(frame["player"] == "Rowan", "right", "left")
    frame["opponent_x_m"], frame["opponent_y_m"] = 3.2, 5.4
    frame["rally_won_by"], frame["ending"] = None, None
    frame["rally_won_by"] = frame["rally_won_by"].astype(object)
    frame["ending"] = frame["ending"].astype(object)
    frame.loc[4, ["rally_won_by", "ending"]] = ["Rowan", "winner"]
    frame.loc[6, "ending"] = "let"
    frame.loc[9, ["rally_won_by", "ending"]] = ["Hazel", "tin"]
    frame["line"] = np.arange(len(frame)) + 2
    return canonical(frame, ["Rowan", "Hazel"])
