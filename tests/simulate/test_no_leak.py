"""What is drawn for the eye must not tell the result, given the ball and the stroke."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.court import Zones

#: A standard normal number passes this bound in 6 of 100,000 draws; there are about 90
#: comparisons here, and the seed is fixed.
BOUND = 4.0


def result_of(shots: pd.DataFrame) -> pd.Series:
    """Won, lost or let by the striker with this shot, or the rally goes on."""
    result = pd.Series("goes on", index=shots.index)
    last = shots["ending"].notna()
    won = shots["rally_won_by"].astype(object) == shots["player"].astype(object)
    result[last] = np.where(won[last], "won", "lost")
    result[shots["ending"] == "let"] = "let"
    return result


def mantel_haenszel(indicator: np.ndarray, event: np.ndarray, stratum: np.ndarray) -> float:
    """Standard score of the association of two 0/1 arrays within strata."""
    frame = pd.DataFrame({"a": indicator, "b": event, "n": 1.0}).astype(float)
    frame["both"] = frame["a"] * frame["b"]
    total = frame.groupby(stratum).sum()
    total = total[total["n"] > 1]
    n, a, b = total["n"], total["a"], total["b"]
    expected = a * b / n
    variance = a * (n - a) * b * (n - b) / (n**2 * (n - 1))
    if variance.sum() == 0:  # nothing varies within any stratum
        return float("nan")
    return float((total["both"] - expected).sum() / np.sqrt(variance.sum()))


def returns_with_state(shots: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series, np.ndarray]:
    returns = shots[shots["stroke"] != "serve"]
    volley = returns["contact"] == "volley"
    depth = np.digitize(returns["y_m"], Zones().depth_edges_m)
    stretched = returns["balance"] == "stretched"
    cell = [returns["stroke"].astype(str), volley, returns["side"].astype(str), returns["gap_m"]]
    cell += [depth, stretched]
    stratum = returns.groupby(cell, sort=False).ngroup().to_numpy()
    return returns, result_of(shots).loc[returns.index], stratum


@pytest.mark.parametrize("column", ["direction", "contact", "balance"])
def test_words_are_independent_of_the_result(alike_shots: pd.DataFrame, column: str) -> None:
    returns, result, stratum = returns_with_state(alike_shots)
    for word in returns[column].cat.categories:
        said = (returns[column] == word).to_numpy()
        if said.sum() < 50:
            continue
        for event in ("won", "lost", "let"):
            score = mantel_haenszel(said, (result == event).to_numpy(), stratum)
            # The family is part of the state: a volley is a volley in its whole stratum.
            assert np.isnan(score) or abs(score) < BOUND, (word, event, score)


@pytest.mark.parametrize("column", ["x_m", "y_m", "opponent_x_m", "opponent_y_m"])
def test_places_are_independent_of_the_result(alike_shots: pd.DataFrame, column: str) -> None:
    returns, result, stratum = returns_with_state(alike_shots)
    for cut in returns[column].quantile([0.2, 0.5, 0.8]):
        for event in ("won", "lost", "let"):
            score = mantel_haenszel(
                (returns[column] > cut).to_numpy(), (result == event).to_numpy(), stratum
            )
            assert np.isnan(score) or abs(score) < BOUND, (cut, event, score)


@pytest.mark.parametrize("column", ["wall_z_m", "bounce_x_m", "bounce_y_m"])
def test_good_balls_do_not_tell_who_wins(alike_shots: pd.DataFrame, column: str) -> None:
    good = ~alike_shots["ending"].isin(["tin", "out", "down"])
    returns, result, stratum = returns_with_state(alike_shots[good])
    for cut in returns[column].quantile([0.2, 0.5, 0.8]):
        high = (returns[column] > cut).to_numpy()
        for event in ("won", "let"):
            score = mantel_haenszel(high, (result == event).to_numpy(), stratum)
            assert abs(score) < BOUND, (cut, event, score)


def test_a_bounce_is_missing_as_often_after_winners(alike_shots: pd.DataFrame) -> None:
    good = ~alike_shots["ending"].isin(["tin", "out", "down"])
    returns, result, stratum = returns_with_state(alike_shots[good])
    missing = returns["bounce_x_m"].isna().to_numpy()
    assert 0.05 < missing.mean() < 0.35
    assert abs(mantel_haenszel(missing, (result == "won").to_numpy(), stratum)) < BOUND


def test_the_check_finds_a_planted_leak(alike_shots: pd.DataFrame) -> None:
    returns, result, stratum = returns_with_state(alike_shots)
    lost = (result == "lost").to_numpy()
    jammed = (returns["balance"] == "jammed").to_numpy()
    told = lost & (np.random.default_rng(5).random(len(lost)) < 0.05)
    assert mantel_haenszel(jammed | told, lost, stratum) > 2 * BOUND
