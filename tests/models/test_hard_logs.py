"""Logs and rows that could make a number that means nothing: each ends in an answer or a reason.

No warning of a library reaches the user, who could do nothing about it.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

import sidewall as sw
from sidewall.errors import DataError, SeparationError

OUTCOMES = ("rally", "value")
STATUSES = {"crosses", "attack at any gap", "reset at any gap", "not known yet"}


@pytest.fixture(autouse=True)
def no_warnings():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture(scope="module")
def shots():
    table = sw.read_shots(sw.simulate.synthetic_data_folder() / "ladder.csv")
    return table[table["match"].isin(["w1m1", "w1m2", "w2m1"])].reset_index(drop=True)


def filled(column, value):
    return column.where(column.isna(), value)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_one_match_gives_answers_or_not_known_yet(shots, outcome):
    model = sw.TightnessModel(outcome=outcome).fit(shots[shots["match"] == "w1m1"])
    table = model.thresholds()
    assert set(table["status"]) <= STATUSES
    told = table[table["status"] == "crosses"]
    assert np.isfinite(told[["threshold_m", "low_m", "high_m"]].to_numpy()).all()
    assert table.loc[table["status"] == "not known yet", "threshold_m"].isna().all()
    curves = model.curves()
    ends = [name for name in curves.columns if name.endswith(("_low", "_high"))]
    assert ends
    assert np.isfinite(curves[ends].to_numpy(dtype=float)).all()


@pytest.mark.parametrize("outcome", OUTCOMES)
@pytest.mark.parametrize(
    ("column", "value", "why"),
    [
        ("choice", "attack", "no reset among"),
        ("choice", "reset", "no attack among"),
        ("gap_m", 0.4, "met at the same gap"),
        ("gap_m", 0.0, "met at the same gap"),
    ],
)
def test_nothing_to_compare_is_said(shots, outcome, column, value, why):
    alike = shots.assign(**{column: filled(shots[column], value)})
    with pytest.raises(DataError, match=why):
        sw.TightnessModel(outcome=outcome).fit(alike)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_one_rally_and_no_rally(shots, outcome):
    first = shots[(shots["match"] == "w1m1") & (shots["game"] == 1) & (shots["rally"] == 1)]
    with pytest.raises(DataError, match="too few shots"):
        sw.TightnessModel(outcome=outcome).fit(first)
    with pytest.raises(DataError, match=r"the log is empty|no shot has"):
        sw.TightnessModel(outcome=outcome).fit(shots.iloc[:0])


def test_a_player_who_always_wins_attacking_still_has_finite_bands(shots):
    # every rally with an attack of Rowan's goes to Rowan: told apart without fault, for one player
    table = sw.shot_features(shots)
    own = (table["player"] == "Rowan") & (table["choice"] == "attack")
    rallies = table.loc[own, "rally_id"]
    mine = table["rally_id"].isin(rallies)
    won = np.where(mine, (table["player"] == "Rowan").astype(float), table["won"])
    model = sw.TightnessModel(outcome="rally").fit(table.assign(won=won))
    curve = model.curves(gaps_m=[0.5]).query("player == 'Rowan'")
    numbers = curve.select_dtypes("number").to_numpy()
    assert np.isfinite(numbers).all()
    assert set(model.thresholds().query("player == 'Rowan'")["status"]) <= STATUSES


class TestRows:
    """The pooled fit itself."""

    rng = np.random.default_rng(8)
    x = rng.normal(size=400)
    y = (rng.random(400) < 0.5).astype(float)
    X = np.column_stack([np.ones(400), x])
    one = np.ones((400, 1))
    group = np.arange(400) % 8

    def test_a_million_equal_rows(self):
        n = 1_000_000
        one = np.ones((n, 1))
        with pytest.raises(SeparationError, match="told apart without fault"):
            sw.PooledLogit().fit(np.ones(n), one, one, np.zeros(n, dtype=int))

    def test_a_million_rows_of_two_kinds(self):
        n = 1_000_000
        one = np.ones((n, 1))
        y = (np.arange(n) < 0.3 * n).astype(float)
        fit = sw.PooledLogit(sd_shape=2.0).fit(y, one, one, np.arange(n) % 2)
        assert fit.converged_
        assert fit.n_distinct_ <= 4
        assert fit.fixed_effects_.iloc[0] == pytest.approx(np.log(0.3 / 0.7), abs=0.01)

    def test_separation_is_named(self):
        with pytest.raises(SeparationError, match="x0, x1"):
            sw.PooledLogit().fit((self.x > 0).astype(float), self.X, self.one, self.group)

    def test_groups_and_columns_that_tell_all_apart_together(self):
        # each group's slope points its own way, so no column separates, but both together do
        group = np.repeat(np.arange(6), 40)
        x = np.tile(np.linspace(-1.0, 1.0, 40), 6)
        y = (x * np.where(group % 2, 1.0, -1.0) > 0).astype(float)
        X = np.column_stack([np.ones(240), x])
        with pytest.raises(SeparationError, match="by columns and groups together"):
            sw.PooledLogit(sd_shape=2.0).fit(y, X, X, group)

    def test_weights_of_zero_are_refused(self):
        trials = np.where(np.arange(400) < 100, 0.0, 1.0)
        with pytest.raises(DataError, match="trials be above 0"):
            sw.PooledLogit().fit(self.y * trials, self.X, self.one, self.group, trials=trials)

    def test_one_group_says_so(self):
        fit = sw.PooledLogit(sd_shape=2.0).fit(self.y, self.X, self.one, np.zeros(400, dtype=int))
        assert fit.status_ == ["one group: random effects cannot be told from the fixed ones"]

    def test_a_column_that_another_explains(self):
        X = np.column_stack([np.ones(400), np.ones(400)])
        with pytest.raises(DataError, match="x1; leave them out"):
            sw.PooledLogit().fit(self.y, X, self.one, self.group)

    def test_a_group_for_every_row(self):
        with pytest.raises(SeparationError, match="successes only or failures only"):
            sw.PooledLogit().fit(self.y, self.X, self.one, np.arange(400))
