"""Redrawn sets of rallies against a log written out anew, and against winners dealt at random."""

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.models.transforms import GapTransform
from sidewall.rallies.chain import RallyChain
from sidewall.worklist.ladder import Ladder, Redrawn
from sidewall.worklist.measures import measures


@pytest.fixture(scope="module")
def small(shots):
    return shots[shots["match"].astype(str).isin(["m01", "m02", "m03", "m04"])].reset_index(
        drop=True
    )


@pytest.fixture(scope="module")
def redrawn(small):
    """A ladder by a model without a chain of its own."""
    model = sw.TightnessModel(outcome="rally", draws=200)
    return Ladder(small, model, 50, np.random.default_rng(5))


@pytest.mark.parametrize("draw", [0, 31])
def test_in_every_redrawn_set_balls_are_worth_what_that_set_says(small, redrawn, draw):
    """The set as a log of its own: every rally as often as it was drawn, then a chain."""
    times = redrawn.weights[draw].astype(int)
    parts = [
        small[redrawn.rally == rally].assign(rally=k * len(times) + rally)
        for rally in np.flatnonzero(times)
        for k in range(times[rally])
    ]
    again = pd.concat(parts, ignore_index=True).sort_values(["match", "game", "rally", "shot"])
    again = sw.shot_features(again.reset_index(drop=True))
    worth = RallyChain().fit(again).win_probability_
    met = worth.notna().to_numpy()
    # the trace of the log's own rows, a thousandth of a shot, is all that differs
    assert redrawn.after.drawn[draw, met] == pytest.approx(worth.to_numpy()[met], abs=2e-3)
    assert np.abs(redrawn.after.drawn[draw] - redrawn.after.estimate)[met].max() > 0.02


def test_residuals_of_a_redrawn_set_by_plain_least_squares(redrawn):
    one = next(one for one in measures(redrawn)[0] if one.item == "length")
    weight = redrawn.weights[17][redrawn.rally[one.row]]
    after = redrawn.after[one.row]
    value = after.fixed + after.basis @ after.drawn[17]
    some = redrawn.table.iloc[one.row]
    total = np.zeros(len(redrawn.names))
    for _, rows in some.groupby(["side", "family"], observed=True).indices.items():
        gap = some["gap_m"].to_numpy()[rows]
        X = np.column_stack([np.ones(len(rows)), GapTransform.fit("spline", gap).basis(gap)])
        root = np.sqrt(weight[rows])[:, None]
        fit = np.linalg.lstsq(root * X, root[:, 0] * value[rows], rcond=None)[0]
        rest = weight[rows] * (value[rows] - X @ fit)
        total += np.bincount(redrawn.player[one.row][rows], rest, minlength=len(total))
    assert one.drawn[17] == pytest.approx(total, abs=1e-8)
    assert one.value == pytest.approx(after.charted)


def test_a_set_drawn_once_each_is_the_log_itself(redrawn):
    plain = np.ones((2, redrawn.weights.shape[1]))
    same = Ladder.__new__(Ladder)
    same.__dict__ |= redrawn.__dict__ | {"weights": plain}
    fixed, basis, estimate, _ = (
        getattr(redrawn.after, name) for name in ("fixed", "basis", "estimate", "drawn")
    )
    same.after = Redrawn(fixed, basis, estimate, np.stack([estimate, estimate]))
    for one in measures(same)[0]:
        assert one.drawn[0] == pytest.approx(
            same.sums(one.row, one.value - one.expected)[0], abs=1e-8
        )


def test_an_error_costs_what_such_shots_bring_in_play(redrawn):
    one = next(one for one in measures(redrawn)[0] if one.item == "reset_errors")
    some = redrawn.table.iloc[one.row]
    fault = some["ending"].isin(["tin", "out", "down"]).to_numpy()
    assert fault.any()
    assert (one.value[~fault] == 0.0).all()
    cell = (some["side"] == "backhand").to_numpy() & (some["family"] == "ground").to_numpy()
    good = redrawn.after.charted[one.row][cell & ~fault].mean()
    assert one.value[cell & fault] == pytest.approx(-good)
