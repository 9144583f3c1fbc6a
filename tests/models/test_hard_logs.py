"""Logs and rows that could make a number that means nothing: each ends in an answer or a reason.

No warning of a library reaches the user, who could do nothing about it.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
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


def model(outcome="rally", **settings):
    return sw.TightnessModel(outcome, draws=50, **settings)


def plain(outcome="rally"):
    return model(outcome, situation=(), strokes=False)


def all_answers(fitted):
    """Every table is there, and no number of it says nothing."""
    table = fitted.thresholds()
    assert set(table["status"]) <= STATUSES
    told = table[table["status"] == "crosses"]
    ends = told[["threshold_m", "threshold_low_m", "threshold_high_m"]]
    assert np.isfinite(ends.to_numpy()).all()
    assert table.loc[table["status"] != "crosses", "threshold_m"].isna().all()
    rule = fitted.rule()
    assert rule["rule_m"].notna().all()
    assert (rule["cost"].notna() == (rule["n_attack"] + rule["n_reset"] > 0)).all()
    curves = fitted.curves([0.1, 0.5])
    assert np.isfinite(curves.select_dtypes("number").to_numpy()).all()
    comfort = fitted.comfort()
    assert comfort[["win_difference_low", "win_difference_high"]].notna().all(axis=None)
    return table


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_one_match_gives_answers_or_not_known_yet(shots, outcome):
    fitted = model(outcome).fit(shots[shots["match"] == "w1m1"])
    assert len(fitted.players_) == 2
    all_answers(fitted)


def test_a_few_players_lean_on_a_weak_prior(shots):
    """With two players the draws are weighed by a prior on the club's threshold about 50 cm."""
    fitted = plain().fit(shots[shots["match"] == "w1m1"])
    posterior = fitted.posterior_
    for cell in range(len(fitted.cells_)):
        gaps = posterior.grids[cell]
        gain = posterior.gain(-1, cell, gaps)
        at = []
        for row in gain:
            below = np.flatnonzero(row <= 0)
            if not len(below):
                at.append(0.0)
            elif below[-1] == len(gaps) - 1:
                at.append(gaps[-1])
            else:
                k = below[-1]
                at.append(np.interp(0.0, row[k : k + 2], gaps[k : k + 2]))
        weight = np.exp(-0.5 * ((np.array(at) - 0.5) / 0.15) ** 2)
        np.testing.assert_allclose(
            posterior.weak_prior(cell), weight / weight.sum(), rtol=1e-6, atol=1e-9
        )


def test_a_choice_that_a_player_never_made_is_not_known_yet(shots):
    table = sw.shot_features(shots)
    never = (table["player"] == "Rowan") & (table["side"] == "backhand")
    blank = table["choice"].mask(never & (table["choice"] == "attack"))
    found = all_answers(plain().fit(table.assign(choice=blank)))
    own = found[(found["player"] == "Rowan") & (found["side"] == "backhand")]
    assert (own["n_attack"] == 0).all()
    assert (own["status"] == "not known yet").all()
    assert (own["more_shots"] >= 5).all()


def test_a_stroke_that_a_player_never_plays_is_as_in_general(shots):
    table = sw.shot_features(shots)
    never = (table["player"] == "Rowan") & (table["stroke"] == "boast")
    fitted = model(situation=()).fit(table.assign(choice=table["choice"].mask(never)))
    found = fitted.thresholds(by="stroke").query("player == 'Rowan' and stroke == 'boast'")
    assert (found["basis"] == "as in general").all()
    assert (found["n_attack"] == 0).all()
    first = fitted.which_shot("Rowan", *fitted.cells_[0])
    assert np.isfinite(first.select_dtypes("number").to_numpy()).all()


def test_a_column_with_one_level_is_left_out_and_said(shots):
    table = sw.shot_features(shots)
    table["balance"] = np.where(table["stroke"] == "serve", None, "set")
    fitted = plain().fit(table)
    assert fitted.situation_ == {}
    again = model(situation=("balance",), strokes=False).fit(table)
    assert again.situation_ == {}
    assert "balance: fewer than two kinds charted often enough to tell apart" in again.notes_
    np.testing.assert_array_equal(again.curves([0.5])["gain"], fitted.curves([0.5])["gain"])


def test_depth_charted_for_a_tenth_of_the_shots(shots):
    table = sw.shot_features(shots)
    known = np.arange(len(table)) % 10 == 0
    table["depth"] = table["depth"].where(known)
    fitted = model(situation=("depth",), strokes=False).fit(table)
    assert len(fitted.used_) > 0.8 * (table["stroke"] != "serve").sum()
    all_answers(fitted)
    if "depth" in fitted.situation_:
        by = fitted.thresholds(by="depth")
        assert set(by["basis"]) <= {"own level", "as in general"}


def test_a_situation_that_was_never_met_is_said(shots):
    table = sw.shot_features(shots)
    front = (table["depth"] == "front").to_numpy()
    jammed = np.where(np.arange(len(table)) % 4, "set", "jammed")
    table["balance"] = np.where(front, "set", jammed)
    fitted = model(situation=("depth", "balance")).fit(table)
    cell = fitted.cells_[0]
    with pytest.raises(DataError, match="was met with depth front, balance jammed; name less"):
        fitted.which_shot("Rowan", *cell, depth="front", balance="jammed")


def test_without_contact_strokes_are_taken_together(shots):
    fitted = plain().fit(shots.drop(columns="contact"))
    assert fitted.families_ == ("all strokes",)
    assert "contact not charted" in fitted.notes_[0]
    assert set(all_answers(fitted)["family"]) == {"all strokes"}


def test_families_taken_together_are_predicted_together(shots):
    """A ball's family says nothing to a fit that put families together."""
    table = sw.shot_features(shots)
    fitted = plain().fit(table[table["family"] != "volley"])
    assert fitted.families_ == ("all strokes",)
    assert "only 0 charted" in fitted.notes_[0]
    ball = {"player": "Rowan", "side": "forehand", "choice": "attack", "gap_m": 0.5}
    families = ["ground", "volley", "all strokes", None]
    balls = pd.DataFrame([ball | {"family": family} for family in families])
    win = fitted.predict_proba(balls)[:, 1]
    np.testing.assert_allclose(win, win[0], atol=1e-12)
    own = fitted.posterior_.of_own(fitted.players_.index("Rowan"), balls)
    np.testing.assert_allclose(own, own[:, :1] * np.ones(4), atol=1e-12)


def test_balls_of_one_choice_alone_can_be_predicted(shots):
    fitted = plain().fit(shots)
    ball = {"player": ["Rowan"], "side": ["forehand"], "family": ["ground"], "gap_m": [0.5]}
    for choice in ("attack", "reset"):
        win = fitted.predict_proba(pd.DataFrame(ball | {"choice": [choice]}))
        assert np.isfinite(win).all()


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
        plain(outcome).fit(alike)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_one_rally_and_no_rally(shots, outcome):
    first = shots[(shots["match"] == "w1m1") & (shots["game"] == 1) & (shots["rally"] == 1)]
    with pytest.raises(DataError, match="too few shots"):
        plain(outcome).fit(first)
    with pytest.raises(DataError, match="no rally of the log was decided"):
        plain(outcome).fit(shots.iloc[:0])


def test_a_player_who_always_wins_attacking_still_has_finite_bands(shots):
    # every rally with an attack of Rowan's goes to Rowan: told apart without fault, for one player
    table = sw.shot_features(shots)
    own = (table["player"] == "Rowan") & (table["choice"] == "attack")
    rallies = table.loc[own, "rally_id"]
    mine = table["rally_id"].isin(rallies)
    won = np.where(mine, (table["player"] == "Rowan").astype(float), table["won"])
    all_answers(plain().fit(table.assign(won=won)))


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
