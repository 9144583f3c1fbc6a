import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from sidewall import shot_features
from sidewall.errors import DataError, NotFittedError
from sidewall.placement import PlacementWorth
from sidewall.placement.player_curves import PlayerCurves
from sidewall.rallies.strengths import Strengths
from sidewall.simulate import SimPlayer, round_robin, simulate_shots


@pytest.fixture(scope="module")
def planted(study):
    table, attack, win = study.left_balls(np.random.default_rng(21), 500)
    return PlacementWorth().fit(table), attack, win


def test_planted_curves_are_found(planted):
    model, attack, win = planted
    gaps = np.array([0.1, 0.3, 0.8])
    h = np.log1p(gaps / 0.25) - np.log1p(0.28 / 0.25)
    table = model.curves(values_m=gaps)
    for outcome, true in (("opponent_attacks", attack), ("wins", win)):
        assert table[outcome].to_numpy() == pytest.approx(
            expit(true[:, 0].mean() + true[:, 1].mean() * h), abs=0.06
        )
        assert (table[f"{outcome}_low"] < table[outcome]).all()


def test_depth_that_does_not_matter_comes_out_flat(planted):
    model, _, _ = planted
    table = model.curves(of="depth", values_m=[3.0, 6.0, 9.0])
    ranges = table["wins_high"].min() - table["wins_low"].max()
    assert ranges > 0


def test_a_centimetre_is_the_slope_of_the_curve(planted):
    model, _, _ = planted
    cm = model.centimetre("Rowan", [0.3])
    curve = model.curves("Rowan", values_m=[0.295, 0.305])
    for outcome in ("opponent_attacks", "wins"):
        step = 100 * (curve[outcome][0] - curve[outcome][1])
        assert cm[outcome][0] == pytest.approx(step, rel=1e-6)
        assert cm[f"{outcome}_low"][0] < step < cm[f"{outcome}_high"][0]
    assert cm["opponent_attacks"][0] < 0 < cm["wins"][0]


def test_the_interval_of_a_centimetre_is_that_of_drawn_curves(planted):
    """The delta method against draws of the coefficients: their standard deviation.

    Of 4000 draws it is known to 1.1 in 100; a curve bends little over the errors of its
    coefficients, so 8 in 100 are allowed.
    """
    model, _, _ = planted
    gaps, depth_m = np.array([0.1, 0.3, 0.8]), 6.0
    cm = model.centimetre("Rowan", gaps, at_m=depth_m, level=0.9)
    depth = np.full(3, depth_m)
    tight, loose = (model._columns(gaps + step, depth).to_numpy() for step in (-0.005, 0.005))
    rng = np.random.default_rng(6)
    for outcome in ("opponent_attacks", "wins"):
        drawn = rng.multivariate_normal(*model.curves_[outcome].of("Rowan"), 4000)
        change = 100.0 * (expit(drawn @ tight.T) - expit(drawn @ loose.T))
        half = 0.5 * (cm[f"{outcome}_high"] - cm[f"{outcome}_low"])
        np.testing.assert_allclose(half, 1.644854 * change.std(axis=0), rtol=0.08)
        middle = 0.5 * (cm[f"{outcome}_high"] + cm[f"{outcome}_low"])
        np.testing.assert_allclose(cm[outcome], middle, atol=1e-12)


def test_a_curve_is_of_the_opponents_that_were_met():
    """The share of rallies won, so its mean over the own balls is the share that was won.

    Ordinary logistic regression has it so exactly; pooling moves it by a little.
    """
    levels = {"Alder": 0.8, "Birch": 0.3, "Cedar": -0.3, "Elm": -0.8}
    players = [
        SimPlayer(name, touch=np.full((2, 2), at), steadiness=np.full((2, 2), at))
        for name, at in levels.items()
    ]
    shots = shot_features(simulate_shots(players, round_robin(4, 2), rng=3))
    model = PlacementWorth(depth="none").fit(shots)
    told = model.used_[model.used_["wins"].notna()]
    lead = Strengths().fit(shots).strength_
    assert lead.max() - lead.min() > 0.3
    for player, own in told.groupby(told["player"].astype(str)):
        mean = model.curves(player, values_m=own["gap_left_m"])["wins"].mean()
        assert mean == pytest.approx(own["wins"].mean(), abs=0.02)


def test_stronger_opponents_are_allowed_for_as_such(ladder, monkeypatch):
    """What is known beforehand of a ball goes with who won it; the own strength is not in it."""
    given, real = [], PlayerCurves.fit

    def fit(self, y, X, vary, rows, offset=None):
        given.append((rows, y, offset))
        return real(self, y, X, vary, rows, offset)

    monkeypatch.setattr(PlayerCurves, "fit", fit)
    PlacementWorth(depth="none").fit(ladder)
    (_, _, attacks), (rows, wins, offset) = given
    assert attacks is None
    by_opponent = pd.Series(offset).groupby(rows["opponent"].astype(str).to_numpy())
    assert (by_opponent.max() == by_opponent.min()).all()
    assert np.corrcoef(offset, wins.astype(float))[0, 1] > 0.0


def test_an_own_level_is_nearly_as_unsure_as_alone(planted):
    """Levels differ by 0.32, and 500 balls tell one to 0.09: pooling may save 4 in 100 of it.

    A strength found in the same rallies and then taken for known would save a third.
    """
    model, _, _ = planted
    used = model.used_
    gap = float(used["gap_left_m"].median())
    table = {
        name: model.curves(name, values_m=[gap]).iloc[0] for name in used["player"].unique()[:3]
    }
    for name, row in table.items():
        own = used[used["player"] == name]
        X = sm.add_constant(np.column_stack([own["gap_left_m"] - gap, own["depth_left_m"]]))
        X[:, 2] -= own["depth_left_m"].mean()
        alone = sm.Logit(own["wins"].astype(float), X).fit(disp=0).bse["const"]
        half = logit(row["wins_high"]) - logit(row["wins_low"])
        assert half / (2 * 1.959964) > 0.9 * alone


def test_rows_left_out_are_counted(ladder):
    model = PlacementWorth(depth="none", transform="linear").fit(ladder)
    assert len(model.used_) + model.left_out_.sum() == len(ladder)
    assert len(model.curves("Rowan")) == 60
    with pytest.raises(DataError, match="fitted without depth"):
        model.curves(of="depth")


def test_what_is_not_there_is_said(ladder, planted):
    with pytest.raises(NotFittedError):
        PlacementWorth().curves()
    with pytest.raises(DataError, match="depth is 'far'"):
        PlacementWorth(depth="far").fit(ladder)
    with pytest.raises(DataError, match="no column bounce_y"):
        PlacementWorth(depth="bounce").fit(ladder.drop(columns="bounce_y_m"))
    with pytest.raises(DataError, match="at least 100"):
        PlacementWorth().fit(ladder.query("rally_id < 7"))
    with pytest.raises(DataError, match="'Nobody' has no shot"):
        planted[0].curves("Nobody")
    with pytest.raises(DataError, match="of is 'time'"):
        planted[0].curves(of="time")


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"values_m": [20]}, "values_m holds 20 m .* above 3.2 m"),
        ({"of": "depth", "values_m": [300]}, "values_m holds 300 m .* above 9.75 m"),
        ({"at_m": 300}, "at_m holds 300 m .* above 9.75 m"),
        ({"of": "depth", "at_m": 20}, "at_m holds 20 m .* above 3.2 m"),
    ],
)
def test_lengths_in_centimetres_are_refused(planted, asked, said):
    with pytest.raises(DataError, match=said):
        planted[0].curves(**asked)


def test_the_curve_along_the_bounce_is_told_where_the_bounce_was_asked_for(ladder):
    """Where a ball bounced is not where the reply was struck: each has a curve of its own."""
    bounce = PlacementWorth(depth="bounce").fit(ladder)
    reply = PlacementWorth(depth="reply").fit(ladder)
    tables = [model.curves("Rowan", of="depth", values_m=[5.0, 8.0]) for model in (bounce, reply)]
    for table in tables:
        assert (table["wins_low"] < table["wins"]).all()
    assert not np.allclose(tables[0]["wins"], tables[1]["wins"], atol=1e-3)


def test_depth_that_matters_is_found(study):
    """Of balls left deeper more rallies are won, of the same gap: half a log odd a metre."""
    table, _, _ = study.left_balls(np.random.default_rng(22), 300)
    rng = np.random.default_rng(23)
    first = np.flatnonzero((table["shot"] == 1).to_numpy())
    depth = table["y_m"].to_numpy()[first + 1]
    won = (rng.random(len(first)) < expit(0.5 * (depth - 5.7))).astype(float)
    results = table["won"].to_numpy(copy=True)
    results[first], results[first + 1] = won, 1.0 - won
    curve = PlacementWorth().fit(table.assign(won=results)).curves(of="depth", values_m=[4.7, 6.7])
    assert curve["wins"].to_numpy() == pytest.approx(expit([-0.5, 0.5]), abs=0.06)
