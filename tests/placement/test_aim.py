"""What is told of a cell and of an aim, each number by a loop or another library."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from scipy.stats import chi2, kurtosis, norm, skew
from statsmodels.stats.proportion import proportion_confint

from sidewall.errors import DataError
from sidewall.models.curves import GapTransform
from sidewall.placement import CensoredNormal, TinMargin
from sidewall.placement.aim import (
    AimChances,
    HeightGain,
    Scatter,
    aim_answer,
    aim_chances,
    aims_from,
    best_height,
    even_normal,
    scatter_of,
    scatter_row,
    win_chance,
)
from sidewall.placement.heights import wall_heights

ONE = Scatter(0.7, 0.15, np.array([[4e-4, 1e-5], [1e-5, 2.5e-3]]), 80, 20, 0.1, 0.2, 0.3)


@pytest.mark.parametrize("seed", range(8))
def test_the_top_is_that_of_the_parabola_through_three(seed):
    rng = np.random.default_rng(seed)
    aims = 0.5 + 0.02 * np.arange(6)
    win = rng.random((7, 6)).round(1)
    found = best_height(aims, win)
    for k, row in enumerate(win):
        top = int(np.argmax(row))
        if top in (0, 5):
            wanted = aims[top], row[top], -1 if top == 0 else 1
        else:
            a, b, c = np.polyfit([-1, 0, 1], row[top - 1 : top + 2], 2)
            at = min(max(-b / (2 * a), -1), 1) if a < -1e-12 else 0.0
            wanted = aims[top] + 0.02 * at, np.polyval([a, b, c], at) if at else row[top], 0
        told = found.height_m[k], found.win[k], found.at_edge[k]
        assert told == pytest.approx(wanted)


def test_draws_have_one_number_in_each_band():
    drawn = even_normal(50, 3, 4)
    bands = np.sort(np.floor(norm.cdf(drawn) * 50), axis=0)
    assert bands.tolist() == np.repeat(np.arange(50), 3).reshape(50, 3).tolist()
    assert (even_normal(50, 3, 4) == drawn).all()
    assert not (even_normal(50, 3, 5) == drawn).any()


@pytest.mark.parametrize(
    ("low", "top", "last"), [(0.48, 0.6, 0.6), (0.5, 0.55, 0.6), (0.5, 0.4, 0.6), (0.43, 0.6, 0.59)]
)
def test_aims_two_centimetres_apart_and_a_decimetre_at_least(low, top, last):
    aims = aims_from(low, top)
    assert aims == pytest.approx(np.linspace(low, last, round((last - low) / 0.02) + 1))


def heights(rng, n, players):
    z = rng.normal(0.65, 0.15, n)
    tin = rng.choice([0.43, 0.48], n)
    return pd.DataFrame({
        "player": rng.choice(players, n), "height_m": np.where(z < tin, np.nan, z), "tin_m": tin,
        "in_tin": z < tin, "rally_id": rng.integers(0, n // 2, n),
    })  # fmt: skip


@pytest.mark.parametrize("around", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_a_scatter_by_loops(around, seed):
    """One of the players has a single height, and one none, so that there is no mean of theirs."""
    rng = np.random.default_rng([seed, 8])
    rows = heights(rng, 60, ["Elm", "Yew", "Ash"])
    few = heights(rng, 4, ["Oak"]).assign(height_m=[0.7, np.nan, np.nan, np.nan])
    none = heights(rng, 2, ["Fir"]).assign(height_m=np.nan)
    rows = pd.concat([rows, few, none], ignore_index=True)
    found = scatter_of(rows, around)
    used = rows[rows["player"].isin(["Ash", "Elm", "Yew"])] if around else rows
    X = np.column_stack([used["player"] == name for name in ("Ash", "Elm", "Yew")]).astype(float)
    X = X if around else np.ones((len(used), 1))
    fit = CensoredNormal().fit(used["height_m"], used["tin_m"], X, used["rally_id"])
    b, p, seen = fit.coefficients_.to_numpy(), X.shape[1], int(used["height_m"].notna().sum())
    grow = seen / (seen - p)
    assert found.mean_m == pytest.approx((X @ b).mean())
    assert found.sd_m == pytest.approx(fit.sd_ * np.sqrt(grow))
    V, share = fit.covariance_.to_numpy(), X.mean(axis=0)
    across = share @ V[:p, p]
    wanted = grow * np.array([[share @ V[:p, :p] @ share, across], [across, V[p, p]]])
    np.testing.assert_allclose(found.covariance, wanted)
    assert (found.seen, found.in_tin) == (seen, len(used) - seen)
    tins = norm.cdf((used["tin_m"] - X @ b) / found.sd_m)
    assert found.tin_expected == pytest.approx(tins.mean())
    off = ((used["height_m"] - X @ b) / found.sd_m).dropna().tolist()
    edge = np.sort(tins[used["height_m"].isna().to_numpy()])
    off += [norm.ppf((k + 0.5) / len(edge) * chance) for k, chance in enumerate(edge)]
    assert found.skewness == pytest.approx(skew(off))
    assert found.kurtosis == pytest.approx(kurtosis(off))


def test_fifteen_heights_are_enough_and_two_more_than_players():
    rng = np.random.default_rng(3)
    rows = heights(rng, 16, ["Elm"]).assign(height_m=rng.normal(0.7, 0.1, 16))
    assert scatter_of(rows.assign(height_m=rows["height_m"].where(rows.index > 1)), False) is None
    assert (
        scatter_of(rows.assign(height_m=rows["height_m"].where(rows.index > 0)), False).seen == 15
    )
    many = pd.DataFrame({"player": np.repeat(np.arange(20), 2), "tin_m": 0.1, "in_tin": False,
                         "height_m": rng.normal(0.7, 0.1, 40), "rally_id": range(40)})  # fmt: skip
    assert scatter_of(many, True).seen == 40
    assert scatter_of(many.iloc[:3], True) is None
    whole = scatter_of(many, False)
    assert (whole.in_tin, whole.seen) == (0, 40)


@pytest.mark.parametrize("skewness", [-0.6, -0.5, 0.0, 0.5, 0.51])
@pytest.mark.parametrize("tails", [-1.1, 0.0, 1.0, 1.01])
@pytest.mark.parametrize("n", [40, 100, 5000])
def test_a_scatter_is_strange_where_it_is_sure_and_matters(skewness, tails, n):
    one = replace(ONE, seen=n - 10, in_tin=10, skewness=skewness, kurtosis=tails)
    sure = chi2.sf(n / 6 * (skewness**2 + tails**2 / 4), 2) < 0.01
    matters = skewness > 0.5 or skewness < -0.5 or tails > 1.0 or tails < -1.0
    assert one.is_normal == (not (sure and matters))


def test_a_row_of_a_scatter():
    z = norm.ppf(0.9)
    low, high = proportion_confint(20, 100, 0.2, "wilson")
    assert scatter_row(ONE, 0.8) == pytest.approx({
        "n_shots": 100, "in_tin": 20, "tin_share": 0.2, "tin_share_low": low,
        "tin_share_high": high, "tin_expected": 0.1, "skewness": 0.2, "kurtosis": 0.3,
        "mean_m": 0.7, "mean_low_m": 0.7 - z * 0.02, "mean_high_m": 0.7 + z * 0.02, "sd_m": 0.15,
        "sd_low_m": 0.15 * np.exp(-z * 0.05), "sd_high_m": 0.15 * np.exp(z * 0.05),
    })  # fmt: skip


class GivenCurves:
    """In place of the fit: keeps what it is given, and answers with made-up numbers."""

    def __init__(self, prior_scale, seed):
        self.asked = prior_scale, seed

    def fit(self, y, X, vary, rows):
        self.given, self.columns_ = (y, X, vary, rows), list(X.columns)
        return self

    def of(self, player):
        rng = np.random.default_rng(0 if player is None else len(player))
        root = rng.normal(size=(len(self.columns_),) * 2)
        return rng.normal(size=len(self.columns_)), root @ root.T


@pytest.fixture
def given(monkeypatch, hard_placed):
    monkeypatch.setattr("sidewall.placement.aim.PlayerCurves", GivenCurves)
    shots = hard_placed(71, matches=6, rallies=40)
    rows, _ = wall_heights(shots, 0.48, "balance")
    return rows[rows["stroke"] == "drive"]


@pytest.mark.parametrize("curve", ["linear", "spline"])
def test_what_a_gain_is_fitted_to_by_loops(given, curve):
    gain = HeightGain(curve, 0.3, 5).fit(given)
    known = given[given["height_m"].notna() & given["won"].notna()]
    y, X, vary, rows = gain.curves_.given
    assert gain.curves_.asked == (0.3, 5)
    assert y.tolist() == known["won"].tolist()
    assert rows.index.tolist() == known.index.tolist()
    basis = GapTransform.fit(curve, known["height_m"]).basis(known["height_m"])
    slopes = [f"height {k}" for k in range(basis.shape[1])]
    assert vary == ["constant", *slopes]
    loose = [np.log((1 + (0.5 if np.isnan(gap) else gap) / 0.25) / 3) for gap in given["gap_m"]]
    loose = pd.Series(loose, given.index)
    # the first word of each by name is part of the constant; a blank is a word of its own
    side = known["side"].astype(object).where(known["side"].notna(), "not charted")
    words = {f"side {word}": side == word for word in ("forehand", "not charted")}
    words["pressure set"] = known["pressure"] == "set"
    wanted = pd.DataFrame(
        {"constant": 1.0, **dict(zip(slopes, basis.T, strict=True)),
         **{name: is_it.astype(float) for name, is_it in words.items()}, "gap": loose[known.index]},
        index=known.index,
    )  # fmt: skip
    pd.testing.assert_frame_equal(X, wanted)
    assert gain.lowest_m == pytest.approx(np.quantile(given["height_m"].fillna(0.0), 0.01))
    assert gain.highest_m == pytest.approx(np.quantile(known["height_m"], 0.99))
    for player in (None, "Hazel"):
        values, covariance = gain.curves_.of(player)
        for at, pressure in (("forehand", "set"), ("backhand", "pressed")):
            cell = (given["side"] == at) & (given["pressure"] == pressure)
            cell &= True if player is None else given["player"] == player
            level = {"constant": 1.0, "gap": loose[cell].mean(), f"side {at}": 1.0,
                     f"pressure {pressure}": 1.0}  # fmt: skip
            pick = [[level.get(name, 0.0) for name in wanted]]
            pick += [[float(name == slope) for name in wanted] for slope in slopes]
            pick = np.array(pick)
            line, spread = gain.line(player, at, pressure)
            np.testing.assert_allclose(line, pick @ values)
            np.testing.assert_allclose(spread, pick @ covariance @ pick.T)


def test_sixty_heights_are_needed_for_a_gain(given):
    known = np.flatnonzero((given["height_m"].notna() & given["won"].notna()).to_numpy())
    HeightGain("linear", 0.2, 0).fit(given.iloc[: known[59] + 1])
    with pytest.raises(DataError, match="59 heights above the tin, and 60 are needed"):
        HeightGain("linear", 0.2, 0).fit(given.iloc[: known[59]])


@pytest.mark.parametrize("draws", [4, 300])
def test_chances_at_every_aim_draw_by_draw(draws):
    """Each draw at each aim alone; a polynomial between few aims meets it to some millionths."""
    transform = SimpleNamespace(basis=lambda z: np.column_stack([z - 0.7, (z - 0.7) ** 2]))
    gain = SimpleNamespace(transform_=transform, lowest_m=0.5, highest_m=0.9)
    values, root = np.array([0.2, -2.0, 1.0]), np.diag([0.1, 0.5, 0.2]) + 0.05
    found = aim_chances(ONE, gain, (values, root @ root.T), 0.48, draws, 3)
    assert found.scatter is ONE
    assert found.tin_m == 0.48
    np.testing.assert_allclose(found.aims_m, np.arange(0.5, 0.901, 0.02))
    assert found.drawn.shape == (draws, len(found.aims_m))
    normal = np.vstack([np.zeros(5), even_normal(draws, 5, 3)])
    parts = []
    for covariance in (root @ root.T, ONE.covariance):
        size, vectors = np.linalg.eigh(covariance)
        parts.append(np.sqrt(size)[:, None] * vectors.T)
    for k in [0, 1, 2, draws // 2, draws]:
        level, slope, bend = values + normal[k, :3] @ parts[0]
        up, wider = normal[k, 3:] @ parts[1]

        def curve(z, level=level, slope=slope, bend=bend):
            return expit(level + slope * (z - 0.7) + bend * (z - 0.7) ** 2)

        sd = 0.15 * np.exp(wider)
        wanted = win_chance(found.aims_m, sd, 0.48, curve)
        told = found.win if k == 0 else found.drawn[k - 1]
        np.testing.assert_allclose(told, wanted, atol=5e-6)
        assert found.now[k] == pytest.approx(float(win_chance(0.7 + up, sd, 0.48, curve)))
    high = aim_chances(ONE, gain, (values, root @ root.T), 0.6, 4, 3)
    assert high.aims_m[0] == pytest.approx(0.6)


def cell_of(tops, scatter=ONE):
    """Draws whose chance is a tent with its top at each of the given aims, the estimate's first."""
    aims = 0.5 + 0.02 * np.arange(21)
    curves = np.array([0.6 - (np.arange(21) - top) ** 2 / 2000 for top in tops])
    now = 0.5 + 0.001 * np.arange(len(tops))
    return AimChances(scatter, 0.48, aims, curves[0], curves[1:], now)


STRANGE = replace(ONE, skewness=2.0)


@pytest.mark.parametrize(
    ("tops", "scatter", "status", "low", "high"),
    [
        ([10.5, *range(5, 15)], ONE, "best height", 5, 13),
        # beyond the lowest or the highest nothing is known but the direction
        ([10, *range(18, 28)], ONE, "not known yet", 18, np.inf),
        ([10, *range(-5, 5)], ONE, "not known yet", -np.inf, 3),
        ([20.5, *range(25, 35)], ONE, "no gain from a lower ball", np.inf, np.inf),
        ([10, *range(-10, 0)], ONE, "not known yet", -np.inf, -np.inf),
        ([30, *range(5, 15)], ONE, "not known yet", 5, 13),
        ([10.5, *range(5, 15)], STRANGE, "not known yet", -np.inf, np.inf),
        ([20.5, *range(25, 35)], STRANGE, "not known yet", -np.inf, np.inf),
    ],
)
def test_an_answer_by_loops(tops, scatter, status, low, high):
    cell = cell_of(tops, scatter)
    row = aim_answer(cell, 0.8)
    assert (row["status"], row["tin_m"], row["n_shots"]) == (status, 0.48, 100)
    ends = [0.5 + 0.02 * end for end in (low, high)]
    assert (row["best_low_m"], row["best_high_m"]) == pytest.approx(ends)
    assert (row["now_m"], row["sd_m"], row["win_now"]) == (0.7, 0.15, 0.5)
    assert row["tin_now"] == pytest.approx(norm.cdf((0.48 - 0.7) / 0.15))
    best = ["best_m", "flat_from_m", "flat_to_m", "tin_best", "win_best", "gain_per_100",
            "gain_per_100_low", "gain_per_100_high"]  # fmt: skip
    if status != "best height":
        assert np.isnan([row[name] for name in best]).all()
        return
    gains = []
    for draw, now in zip(cell.drawn, cell.now[1:], strict=True):
        gains.append(100 * (np.interp(0.71, cell.aims_m, draw) - now))
    flat = [aim for aim, win in zip(cell.aims_m, cell.win, strict=True) if win >= 0.6 - 0.005]
    wanted = [0.71, flat[0], flat[-1], norm.cdf((0.48 - 0.71) / 0.15), 0.6, 10.0,
              np.quantile(gains, 0.1), np.quantile(gains, 0.9)]  # fmt: skip
    assert [row[name] for name in best] == pytest.approx(wanted)


def test_every_cell_of_the_margin_by_loops(hard_placed, monkeypatch):
    """Cells in the order of their words, all players first; what is told of each, and the notes."""
    monkeypatch.setattr("sidewall.placement.aim.PlayerCurves", GivenCurves)
    shots = hard_placed(72, matches=6, rallies=40)
    drawn = 0.4 + np.random.default_rng(4).gamma(2, 0.2, len(shots))
    shots["wall_z_m"] = np.where(shots["wall_z_m"].isna(), np.nan, drawn)
    margin = TinMargin("gap", 0.3, seed=2).fit(shots)
    used, left_out = wall_heights(shots, 0.48, "gap", 0.3)
    pd.testing.assert_frame_equal(margin.heights_, used)
    pd.testing.assert_series_equal(margin.left_out_, left_out)
    names, rows, notes = ("player", "stroke", "side", "pressure"), [], []
    for stroke in used["stroke"].cat.categories:
        for side in used["side"].cat.categories:
            for pressure in ("loose", "tight"):
                cell = used[(used["stroke"] == stroke) & (used["side"] == side)
                            & (used["pressure"] == pressure)]  # fmt: skip
                for player in ("all players", *used["player"].cat.categories):
                    own = cell if player == "all players" else cell[cell["player"] == player]
                    one = scatter_of(own, player == "all players") if len(own) else None
                    if one is None:
                        continue
                    key = player, stroke, side, pressure
                    rows.append(dict(zip(names, key, strict=True)) | scatter_row(one, 0.9))
                    notes += [key] if not one.is_normal else []
    pd.testing.assert_frame_equal(margin.scatter(level=0.9), pd.DataFrame(rows))
    told = [note.split(": ")[0] for note in margin.notes_ if "normal scatter" in note]
    assert told == [", ".join(key) for key in notes]
    assert told
    strokes = [note.split(": ")[0] for note in margin.notes_ if "are needed for the gain" in note]
    assert set(strokes) | set(margin.gains_) == {"drive", "drop", "lob"}
    best = margin.best(tin_heights_m=[0.43, 0.5], draws=64, level=0.9)
    keys = [tuple(row[name] for name in names) for row in rows if row["stroke"] in margin.gains_]
    wanted = [
        dict(zip(names, key, strict=True)) | aim_answer(margin._cell(key, tin, 64), 0.9)
        for key in keys for tin in (0.43, 0.5)
    ]  # fmt: skip
    pd.testing.assert_frame_equal(best, pd.DataFrame(wanted))
    key = keys[0]
    cell = margin._cell(key, 0.48, 64)
    assert cell.tin_m == 0.48
    curve = margin.win_curve(*key, draws=64, level=0.9)
    ends = np.quantile(cell.drawn, [0.05, 0.95], axis=0)
    wanted = pd.DataFrame({"aim_m": cell.aims_m, "win": cell.win, "win_low": ends[0],
                           "win_high": ends[1]})  # fmt: skip
    pd.testing.assert_frame_equal(curve, wanted)
    row = next(row for row in rows if tuple(row[name] for name in names) == key)
    tins = margin.tin_chances(*key, level=0.9)
    np.testing.assert_allclose(tins["aim_m"], np.arange(0.48, 1.481, 0.02))
    for name, sd in (("tin", row["sd_m"]), ("tin_low", None), ("tin_high", None)):
        two = [norm.cdf((0.48 - tins["aim_m"]) / row[f"sd{end}_m"]) for end in ("_low", "_high")]
        wanted = norm.cdf((0.48 - tins["aim_m"]) / sd) if sd else (
            np.minimum(*two) if name == "tin_low" else np.maximum(*two))  # fmt: skip
        np.testing.assert_allclose(tins[name], wanted)
    one = "all players", keys[0][1], keys[0][2], keys[0][3]
    pd.testing.assert_frame_equal(
        margin.best("all players"),
        margin.best("all players", tin_heights_m=(0.43, 0.48), level=0.95, draws=1024),
    )
    pd.testing.assert_frame_equal(
        margin.win_curve(*one), margin.win_curve(*one, tin_height_m=0.48, level=0.95, draws=1024)
    )
    pd.testing.assert_frame_equal(
        margin.tin_chances(*one), margin.tin_chances(*one, tin_height_m=0.48, level=0.95)
    )
    pd.testing.assert_frame_equal(margin.scatter(), margin.scatter(0.95))
    for ask in (margin.best, lambda draws: margin.win_curve(*one, draws=draws)):
        with pytest.raises(DataError, match="draws is 1; give a whole number of at least 2"):
            ask(draws=1)
        ask(draws=2)
