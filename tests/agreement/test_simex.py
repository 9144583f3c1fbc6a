"""SIMEX on the place where two curves cross, with planted errors of the gap."""

import numpy as np
import pytest
from scipy.special import expit

import sidewall as sw
from sidewall import simulate
from sidewall.agreement import simex
from sidewall.rallies.value import BEND_M
from sidewall.simulate.charter import second_charter

GAP_SD_M = 0.12


@pytest.fixture(scope="module")
def shots():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    return sw.shot_features(simulate.simulate_shots(players, [(0, 1)] * 80, rng=23))


def curves(shots, gap_m):
    """Attack minus reset: intercept and slope on log(1 + gap / 0.25 m), all balls together."""
    used = (shots["gap_m"].notna() & shots["won"].notna() & shots["choice"].notna()).to_numpy()
    attack = (shots["choice"] == "attack").to_numpy(dtype=float)[used]
    won, h = shots["won"].to_numpy()[used], np.log1p(gap_m[used] / BEND_M)
    X = np.column_stack([np.ones_like(h), h, attack, attack * h])
    b = np.zeros(4)
    for _ in range(6):
        p = expit(X @ b)
        inverse = np.linalg.inv((X * (p * (1 - p))[:, None]).T @ X)
        b = b + inverse @ X.T @ (won - p)
    return b[2:], inverse[2:, 2:]


def crossing(d):
    return BEND_M * np.expm1(-d[0] / d[1])


def test_the_threshold_moves_back_toward_that_without_error(shots):
    """Over sixteen chartings, so that the luck of one is not taken for the method."""
    clean = curves(shots, shots["gap_m"].to_numpy())[0]
    errors = []
    for seed in range(16):
        charted = second_charter(shots, miss=0, confuse=0, gap_sd_m=GAP_SD_M, seed=seed)
        path = simex(
            lambda gap: curves(shots, gap), charted["gap_m"], GAP_SD_M, n=4, seed=seed,
            turned_back=True,
        )  # fmt: skip
        found = [path.estimates[0, 0], *(path.at_no_error(degree)[0] for degree in (1, 2))]
        errors.append([[d[1] - clean[1], crossing(d) - crossing(clean)] for d in found])
    (slope, gap), se = np.mean(errors, axis=0).T, np.std(errors, axis=0).T / np.sqrt(15)
    for error, luck in ((slope, se[0]), (gap, se[1])):
        naive, linear, quadratic = np.abs(error)
        assert naive > 4 * luck[0]  # there is something to undo
        assert linear < 0.75 * naive
        assert quadratic < 0.6 * naive
