"""Small rallies written by hand, a simulated ladder, and two studies as modules."""

from __future__ import annotations

import importlib

import numpy as np
import pandas as pd
import pytest

from sidewall import simulate
from sidewall.log.vocabulary import VOCABULARY

NAMES = ["Rowan", "Hazel"]


def hand_rallies(*rallies, match="m1", extra=None):
    """Rallies as (winner or None, shot, shot, ...); a shot is a dict or "stroke direction".

    Rowan serves the first rally, the winner the next; the first shot is the serve.
    """
    rows, server = [], "Rowan"
    for number, (winner, *shots) in enumerate(rallies, start=1):
        for k, shot in enumerate(shots):
            said = (
                dict(zip(("stroke", "direction"), shot.split(), strict=False))
                if isinstance(shot, str)
                else dict(shot)
            )
            striker = NAMES[(NAMES.index(server) + k) % 2]
            row = {
                "match": match, "game": 1, "rally": number, "shot": k + 1, "player": striker,
                "opponent": NAMES[1 - NAMES.index(striker)], "side": "forehand",
                "direction": None, "contact": "after_bounce", "choice": None,
                "gap_m": np.nan if k == 0 else 0.5, "rally_won_by": None, "ending": None,
                "t_s": 10.0 * number + k, **said,
            }  # fmt: skip
            rows.append(row)
        rows[-1]["rally_won_by"] = winner
        rows[-1]["ending"] = "let" if winner is None else "stroke"
        server = winner or server
    table = pd.DataFrame(rows)
    table["line"] = np.arange(len(table)) + 2
    table["match"] = pd.Categorical(table["match"])
    for column in ("player", "opponent", "rally_won_by"):
        table[column] = pd.Categorical(table[column], categories=NAMES)
    for column, words in VOCABULARY.items():
        if column in table:
            table[column] = pd.Categorical(table[column], categories=words)
    return table


@pytest.fixture(scope="session")
def by_hand():
    return hand_rallies


@pytest.fixture(scope="session")
def ladder():
    players = simulate.draw_players(["Alder", "Birch", "Cedar", "Elm"], np.random.default_rng(5))
    return simulate.simulate_shots(players, simulate.round_robin(4, 4), rng=11)


@pytest.fixture(scope="session")
def study():
    return importlib.import_module("combination_coverage")


@pytest.fixture(scope="session")
def controls():
    return importlib.import_module("negative_controls")
