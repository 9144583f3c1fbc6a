from itertools import pairwise, product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit
from scipy.stats import norm

from sidewall import shot_features
from sidewall.errors import DataError, NotFittedError
from sidewall.models.curves import GapTransform
from sidewall.placement import PlacementWorth
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


def test_what_is_not_there_is_said(ladder, planted):
    with pytest.raises(NotFittedError):
        PlacementWorth().curves()
    with pytest.raises(DataError, match="depth is 'far'"):
        PlacementWorth(depth="far").fit(ladder)
    with pytest.raises(DataError, match="no column bounce_y"):
        PlacementWorth(depth="bounce").fit(ladder.drop(columns="bounce_y_m"))
    with pytest.raises(DataError, match="at least 100"):
        PlacementWorth().fit(ladder.query("rally_id < 7"))
    bare = PlacementWorth(depth="none")
    bare.used_ = pd.DataFrame()
    with pytest.raises(DataError, match="fitted without depth"):
        bare.curves(of="depth")
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


class GivenCurves:
    """In place of the fit: keeps what it is given, and answers with made-up numbers."""

    def __init__(self, prior_scale, seed):
        self.asked = prior_scale, seed

    def fit(self, y, X, vary, rows, offset=None):
        self.given, self.players_ = (y, X, vary, rows, offset), sorted(set(rows["player"]))
        return self

    def of(self, player):
        rng = np.random.default_rng(0 if player is None else len(player))
        p = self.given[1].shape[1]
        root = 0.1 * rng.normal(size=(p, p))
        return rng.normal(size=p), root @ root.T


DEPTHS = {"reply": "y_m", "bounce": "bounce_y_m", "none": None}


@pytest.mark.parametrize("depth", list(DEPTHS))
def test_every_table_by_loops(hard_placed, monkeypatch, depth):
    """Balls used and left out, what is fitted, both curves, and a centimetre; with blanks."""
    monkeypatch.setattr("sidewall.placement.worth.PlayerCurves", GivenCurves)
    shots = hard_placed(81, matches=6, rallies=40)
    model = PlacementWorth("spline" if depth == "reply" else "log1p", depth, 0.3, 4).fit(shots)
    told = shot_features(shots).to_dict("records")
    rows, reasons = [], {}
    for row, (shot, after) in enumerate(pairwise([*told, None])):
        again = after is not None and after["shot"] == shot["shot"] + 1
        far = np.nan
        if depth != "none":
            far = shot["bounce_y_m"] if depth == "bounce" else after["y_m"] if again else np.nan
        if shot["stroke"] == "serve":
            why = "serve"
        elif not again:
            why = "not struck again"
        elif np.isnan(after["gap_m"]):
            why = "gap of the reply not charted"
        elif depth != "none" and np.isnan(far):
            why = "depth not known"
        else:
            chosen = after["choice"]
            attack = np.nan if pd.isna(chosen) else float(chosen == "attack")
            rows.append((row, after["gap_m"], attack, shot["won"], far))
            continue
        reasons[why] = reasons.get(why, 0) + 1
    columns = ["row", "gap_left_m", "opponent_attacks", "wins", "depth_left_m"]
    wanted = pd.DataFrame(rows, columns=columns).set_index("row")
    wanted = wanted.drop(columns="depth_left_m") if depth == "none" else wanted
    pd.testing.assert_frame_equal(model.used_[list(wanted)], wanted, check_names=False)
    assert model.left_out_.to_dict() == reasons

    gaps = GapTransform.fit(model.transform, wanted["gap_left_m"])
    along = None if depth == "none" else GapTransform.fit("spline", wanted["depth_left_m"])

    def design(gap, far):
        parts = {f"gap {k}": column for k, column in enumerate(gaps.basis(gap).T)}
        if along is not None:
            parts |= {f"depth {k}": column for k, column in enumerate(along.basis(far).T)}
        return pd.DataFrame({"constant": np.ones(len(gap)), **parts})

    far = None if depth == "none" else wanted["depth_left_m"].to_numpy()
    X = design(wanted["gap_left_m"].to_numpy(), far).set_index(wanted.index)
    strength = Strengths().fit(shot_features(shots)).strength_
    for outcome in ("opponent_attacks", "wins"):
        known = wanted[outcome].notna()
        y, given, vary, used, offset = model.curves_[outcome].given
        assert y.tolist() == wanted.loc[known, outcome].tolist()
        pd.testing.assert_frame_equal(given, X[known], check_names=False)
        assert vary == [name for name in X if not name.startswith("depth")]
        assert used.index.tolist() == wanted.index[known].tolist()
        if outcome == "wins":
            met = [-strength[told[row]["opponent"]] for row in used.index]
            np.testing.assert_allclose(offset, met)
        else:
            assert offset is None
        assert model.curves_[outcome].asked == (0.3, 4)
    assert model.players_ == ["Alder", "Hazel", "Rowan"]

    z = norm.ppf(0.9)
    striker = pd.Series([told[row]["player"] for row in wanted.index], wanted.index)
    ways = [("gap", [0.0, 0.1, 0.35, 1.2], None), ("gap", None, 6.0)]
    ways += [] if depth == "none" else [("depth", [1.0, 5.25, 7.0], 0.4), ("depth", None, None)]
    for player, (of, values, at) in product((None, "Hazel"), ways):
        found = model.curves(player, of, values, at_m=at, level=0.8)
        name, other = ("gap_left_m", "depth_left_m")[:: 1 if of == "gap" else -1]
        where = values if values is not None else np.linspace(
            *np.quantile(wanted[name], [0.01, 0.99]), 60)  # fmt: skip
        table = {f"{of}_m": np.asarray(where, float)}
        if depth != "none":
            fixed = np.median(wanted[other]) if at is None else at
            table["depth_m" if of == "gap" else "gap_m"] = np.full(len(where), fixed)
        rows = design(table["gap_m"], table.get("depth_m")).to_numpy()
        for outcome in ("opponent_attacks", "wins"):
            b, V = model.curves_[outcome].of(player)
            half = [z * np.sqrt(row @ V @ row) for row in rows]
            for end, sign in (("", 0), ("_low", -1), ("_high", 1)):
                table[outcome + end] = expit(rows @ b + sign * np.array(half))
        mine = wanted[name][striker == player] if player else wanted[name]
        near = 0.05 if of == "gap" else 0.25
        table["n_shots"] = [int(mine.between(x - near, x + near).sum()) for x in where]
        order = ["gap_m", *(["depth_m"] if depth != "none" else []), *list(table)[-7:]]
        pd.testing.assert_frame_equal(found, pd.DataFrame(table)[order], check_dtype=False)

        if of == "gap":
            asked = [0.001, 0.1, 0.3, 0.5, 0.8]
            cm = model.centimetre(player, asked, at_m=at, level=0.8)
            table = {"gap_m": asked}
            fixed = None if depth == "none" else np.full(
                5, np.median(wanted["depth_left_m"]) if at is None else at)  # fmt: skip
            ends = [design(np.maximum(np.array(asked) + step, 0.0), fixed).to_numpy()
                    for step in (-0.005, 0.005)]  # fmt: skip
            for outcome in ("opponent_attacks", "wins"):
                b, V = model.curves_[outcome].of(player)
                change = 100 * (expit(ends[0] @ b) - expit(ends[1] @ b))
                # the delta method by differences
                slope = np.array([
                    100 * (expit(ends[0] @ (b + e)) - expit(ends[1] @ (b + e))
                           - expit(ends[0] @ (b - e)) + expit(ends[1] @ (b - e))) / 2e-5
                    for e in np.eye(len(b)) * 1e-5
                ]).T  # fmt: skip
                half = [z * np.sqrt(row @ V @ row) for row in slope]
                table[outcome] = change
                table |= {f"{outcome}_low": change - half, f"{outcome}_high": change + half}
            table["n_shots"] = len(mine)
            pd.testing.assert_frame_equal(cm, pd.DataFrame(table), check_dtype=False, rtol=1e-5)
    assert model.centimetre("Hazel")["gap_m"].tolist() == [0.1, 0.2, 0.3, 0.5, 0.8]
    pd.testing.assert_frame_equal(model.curves(), model.curves(None, "gap", None, level=0.95))
    pd.testing.assert_frame_equal(model.centimetre(), model.centimetre(level=0.95))
    usual = PlacementWorth().fit(shots)
    assert usual.curves_["wins"].asked == (0.2, 0)


def test_a_hundred_shots_are_needed(hard_placed, monkeypatch):
    monkeypatch.setattr("sidewall.placement.worth.PlayerCurves", GivenCurves)
    shots = shot_features(hard_placed(82, matches=6, rallies=40))
    used = PlacementWorth(depth="none").fit(shots).used_
    gap = shots["gap_m"].copy()
    gap[[row + 1 for row in used.index[100:]]] = np.nan
    enough = shots.assign(gap_m=gap, choice="reset", won=1.0)
    assert len(PlacementWorth(depth="none").fit(enough).used_) == 100
    gap[used.index[99] + 1] = np.nan
    with pytest.raises(DataError, match="99 shots have a reply whose gap is known; at least 100"):
        PlacementWorth(depth="none").fit(enough.assign(gap_m=gap))
    with pytest.raises(DataError, match="shots have a reply whose gap and depth is known"):
        PlacementWorth().fit(enough.assign(gap_m=gap))
    known = enough["won"].where(enough.index != used.index[50])
    with pytest.raises(DataError, match="99 shots tell wins; at least 100"):
        PlacementWorth(depth="none").fit(enough.assign(won=known))
