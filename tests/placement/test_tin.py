import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from sidewall.errors import DataError, NotFittedError
from sidewall.placement import TinMargin
from sidewall.placement.aim import (
    BEST,
    _few_aims,
    aim_answer,
    best_height,
    even_normal,
    scatter_of,
    scatter_row,
    tin_chance,
    win_chance,
)
from sidewall.placement.heights import wall_heights


@pytest.fixture(scope="module")
def planted(study):
    rng = np.random.default_rng(11)
    players = study.draw_players(rng)
    return players, TinMargin().fit(study.drops(players, 600, rng))


def test_chance_of_the_tin_is_scipys():
    aims = np.linspace(0.4, 1.2, 9)
    assert tin_chance(aims, 0.16, 0.48) == pytest.approx(norm(aims, 0.16).cdf(0.48))


@pytest.mark.parametrize("aim", [0.48, 0.7, 1.0, 2.0])
@pytest.mark.parametrize("sd", [0.05, 0.16, 0.5])
def test_chance_of_winning_is_the_integral(aim, sd):
    def curve(z):
        return expit(0.4 - 3.0 * (z - 0.75))

    exact, _ = quad(lambda z: curve(z) * norm.pdf(z, aim, sd), 0.48, aim + 9 * sd, points=[aim])
    assert float(win_chance(aim, sd, 0.48, curve)) == pytest.approx(exact, abs=2e-6)


@pytest.mark.parametrize("sd", [0.02, 0.05, 0.16, 0.5])
@pytest.mark.parametrize("top", [0.6, 1.5, 4.8])
def test_few_aims_tell_the_chance_at_all_of_them(sd, top):
    def chance(at):
        return win_chance(at, sd, 0.48, lambda z: expit(0.4 - 3.0 * (z - 0.75)))

    aims = np.arange(0.48, top, 0.02)
    few, to_all = _few_aims(aims, sd)
    assert chance(few) @ to_all == pytest.approx(chance(aims), abs=5e-6)


def test_the_best_height_solves_its_own_equation():
    # d/da of the chance: the density at the tin times w(t) balances the loss of height.
    sd, tin = 0.16, 0.48

    def curve(z):
        return expit(0.4 - 3.0 * (z - 0.75))

    def slope(a):
        def loss(z):
            return -3.0 * curve(z) * (1 - curve(z)) * norm.pdf(z, a, sd)

        return norm.pdf(tin, a, sd) * curve(tin) + quad(loss, tin, a + 9 * sd, points=[a])[0]

    aims = np.arange(tin, 1.3, 0.02)
    best = best_height(aims, win_chance(aims, sd, tin, curve))
    assert best.at_edge == 0
    assert slope(float(best.height_m) - 0.002) > 0 > slope(float(best.height_m) + 0.002)


def test_even_draws_have_the_tails_of_the_normal():
    drawn = even_normal(1000, 4, 0)
    assert drawn.shape == (1000, 4)
    assert (
        pytest.approx(np.tile(norm.ppf([0.025, 0.5, 0.975]), (4, 1)), abs=0.05)
        == np.quantile(drawn, [0.025, 0.5, 0.975], axis=0).T
    )
    # as of independent columns: four standard errors
    assert np.corrcoef(drawn.T) == pytest.approx(np.eye(4), abs=4 / np.sqrt(1000))


def test_edges_are_told():
    aims = np.arange(0.48, 1.0, 0.02)
    found = best_height(aims, np.stack([aims, -aims]))
    assert found.at_edge.tolist() == [1, -1]
    assert found.height_m == pytest.approx([aims[-1], aims[0]])


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_the_interval_of_the_gain_is_told_at_the_height_that_is_advised(planted, level):
    """Every draw's chance there, between the heights looked at, less its own at the mean."""
    _, margin = planted
    cells = [margin._cell(key, 0.48, 200) for key in margin._scatter]
    answers = [aim_answer(cell, level) for cell in cells]
    told = [pair for pair in zip(cells, answers, strict=True) if pair[1]["status"] == BEST]
    assert len(told) > 3
    for cell, row in told:
        there = [np.interp(row["best_m"], cell.aims_m, draw) for draw in cell.drawn]
        gains = 100.0 * (np.array(there) - cell.now[1:])
        ends = np.quantile(gains, [0.5 - level / 2, 0.5 + level / 2])
        assert (row["gain_per_100_low"], row["gain_per_100_high"]) == pytest.approx(tuple(ends))


def test_planted_scatter_and_height_are_found(planted, study):
    players, margin = planted
    scatter = margin.scatter().set_index("player")
    best = margin.best(tin_heights_m=[0.48]).set_index("player")
    truth = players.apply(study.true_best, axis=1)
    sd = scatter.loc[players.index, "sd_m"].to_numpy()
    assert sd == pytest.approx(players["sd_m"].to_numpy(), rel=0.12)
    assert (best.loc[players.index, "status"] == "best height").all()
    height = best.loc[players.index, "best_m"].to_numpy()
    assert height == pytest.approx(truth.to_numpy(), abs=0.045)
    assert (scatter["tin_share"] - scatter["tin_expected"]).abs().max() < 0.03
    row = best.loc["Rowan"]
    assert row["flat_from_m"] <= row["best_m"] + 0.02
    assert row["best_low_m"] < row["best_m"] < row["best_high_m"]
    assert row["gain_per_100"] >= 0
    assert row["gain_per_100_low"] < row["gain_per_100"] < row["gain_per_100_high"]


def test_a_lower_tin_asks_for_a_lower_ball(planted):
    _, margin = planted
    best = margin.best("all players")
    low, high = best["best_m"]
    assert best["tin_m"].tolist() == [0.43, 0.48]
    assert high - 0.055 < low < high


def test_the_log_without_gain_gives_no_height(ladder):
    # In the ladder a lower ball gains nothing, so no height below the top can be best.
    drops = ladder[ladder["stroke"].isin(["drop", "kill"])]
    best = TinMargin().fit(drops).best("all players", tin_heights_m=[0.48])
    assert "best height" not in set(best["status"])
    assert best["best_m"].isna().all()
    assert np.isinf(best["best_high_m"]).all()


def test_pressure_tells_cells_apart(ladder):
    ladder = ladder[ladder["stroke"] == "drop"]
    margin = TinMargin(pressure="balance").fit(ladder)
    assert set(margin.scatter()["pressure"]) == {"set", "pressed"}
    by_gap = TinMargin(pressure="gap", tight_below_m=0.25).fit(ladder).scatter()
    assert set(by_gap["pressure"]) == {"tight", "loose"}
    with pytest.raises(DataError, match="name the pressure"):
        margin.win_curve("Alder", "drop", "backhand")
    cells = margin.scatter().set_index(["player", "stroke", "side", "pressure"])
    tins = {}
    for pressure in ("set", "pressed"):
        at_mean = [float(cells.loc[("Alder", "drop", "backhand", pressure), "mean_m"])]
        row = margin.tin_chances("Alder", "drop", "backhand", pressure, aims_m=at_mean).iloc[0]
        expected = cells.loc[("Alder", "drop", "backhand", pressure), "tin_expected"]
        tins[pressure] = (row["tin"], expected)
        assert row["tin"] == pytest.approx(expected, abs=0.02)
    assert tins["set"] != tins["pressed"]


def test_balls_in_the_tin_count_with_and_without_a_height(log):
    used, left_out = wall_heights(log)
    tin = used[used["in_tin"]]
    assert len(tin) == 2
    assert tin["height_m"].isna().all()
    assert left_out.to_dict() == {"serve": 4}
    assert set(used["tin_m"]) == {0.48}


def test_a_good_ball_below_the_tin_is_left_out_and_said(log):
    low = log.assign(wall_z_m=log["wall_z_m"].replace(1.6, 0.45))
    _, left_out = wall_heights(low)
    assert left_out.filter(like="below the tin").tolist() == [3]
    used, left_out = wall_heights(low.assign(tin_height_m=0.43))
    assert left_out.to_dict() == {"serve": 4}
    assert set(used["tin_m"]) == {0.43}


def test_the_curve_and_the_chances_agree_with_the_table(planted):
    _, margin = planted
    curve = margin.win_curve("Rowan", "drop", "forehand")
    best = margin.best("Rowan", tin_heights_m=[0.48]).iloc[0]
    assert best["win_best"] == pytest.approx(curve["win"].max(), abs=1e-3)
    assert ((curve["win_low"] <= curve["win"]) & (curve["win"] <= curve["win_high"])).all()
    chances = margin.tin_chances("Rowan", "drop", "forehand", aims_m=[best["now_m"]]).iloc[0]
    assert chances["tin"] == pytest.approx(best["tin_now"])
    assert chances["tin_low"] < chances["tin"] < chances["tin_high"]


def test_heights_in_centimetres_are_refused(planted):
    _, margin = planted
    for ask, name in (
        (
            lambda: margin.tin_chances("Rowan", "drop", "forehand", aims_m=[60, 70]),
            "aims_m holds 70",
        ),
        (
            lambda: margin.win_curve("Rowan", "drop", "forehand", tin_height_m=48),
            "tin_height_m holds 48",
        ),
        (lambda: margin.best("Rowan", tin_heights_m=[48]), "tin_heights_m holds 48"),
    ):
        with pytest.raises(DataError, match=rf"^{name}.*centimetres\? divide by 100"):
            ask()


def test_a_spline_finds_the_planted_height_too(study):
    rng = np.random.default_rng(12)
    players = study.draw_players(rng)
    margin = TinMargin(curve="spline").fit(study.drops(players, 700, rng))
    best = margin.best("all players", tin_heights_m=[0.48]).iloc[0]
    typical = players.mean()
    assert best["best_low_m"] < study.true_best(typical) < best["best_high_m"]


def test_a_cell_without_spread_is_noted_and_spoils_nothing(study):
    rng = np.random.default_rng(13)
    table = study.drops(study.draw_players(rng), 100, rng)
    own = table["player"] == "Elm"
    table.loc[own, ["wall_z_m", "ending"]] = [0.8, None]
    margin = TinMargin().fit(table)
    assert "Elm" not in set(margin.scatter()["player"])
    assert "Rowan" in set(margin.best()["player"])
    assert any("Elm, drop" in note and "no spread" in note for note in margin.notes_)


def test_what_is_not_there_is_said(ladder, planted):
    _, margin = planted
    with pytest.raises(NotFittedError):
        TinMargin().scatter()
    with pytest.raises(DataError, match="those who have: Alder"):
        margin.best("Nobody")
    with pytest.raises(DataError, match=r"not known\. Fitted strokes: drop"):
        margin._top("lob")
    with pytest.raises(DataError, match="fewer than 15"):
        margin.win_curve("Rowan", "lob", "forehand")
    for height in (48, 1.0, 0.2, 0.1):
        with pytest.raises(DataError, match="give metres"):
            TinMargin(tin_height_m=height).fit(ladder)
    with pytest.raises(DataError, match="pressure is 'wind'"):
        TinMargin(pressure="wind").fit(ladder)
    with pytest.raises(DataError, match="chart wall_z"):
        TinMargin().fit(ladder.assign(wall_z_m=np.nan))


def test_gap_and_pressure_that_say_the_same_spoil_nothing(study):
    """The gap tells the pressure and nothing else: their effects cannot be told apart."""
    rng = np.random.default_rng(14)
    players = study.draw_players(rng)
    table = study.drops(players, 400, rng)
    table["gap_m"] = np.where(rng.random(len(table)) < 0.5, 0.2, 0.6)
    best = TinMargin(pressure="gap").fit(table).best("all players", tin_heights_m=[0.48])
    assert len(best) == 2
    assert (best["best_low_m"] < study.true_best(players.mean())).all()
    assert (best["best_high_m"] > study.true_best(players.mean())).all()


def test_a_gain_that_cannot_be_fitted_is_said_not_left_empty(study):
    rng = np.random.default_rng(14)
    table = study.drops(study.draw_players(rng), 100, rng)
    table["won"] = 1.0 - (table["ending"] == "tin")  # all that cleared the tin were won
    margin = TinMargin().fit(table)
    assert len(margin.scatter())
    with pytest.raises(DataError, match=r"no best height can be told\. drop: "):
        margin.best()


def test_errors_of_mean_and_scatter_are_those_of_normal_samples():
    """No ball in the tin: the mean's variance is s2 / n, that of log s about 1 / 2(n - 1)."""
    rng = np.random.default_rng(31)
    n = 400
    rows = pd.DataFrame({"height_m": rng.normal(0.8, 0.05, n), "tin_m": 0.3, "in_tin": False})
    rows["rally_id"] = np.arange(n)
    found = scatter_of(rows, False)
    mean, sd = rows["height_m"].mean(), rows["height_m"].std()
    assert found.mean_m == pytest.approx(mean)
    assert found.sd_m == pytest.approx(sd)
    exact = np.diag([sd**2 / n, 1.0 / (2.0 * (n - 1))])
    np.testing.assert_allclose(found.covariance, exact, atol=0.01 * np.diag(exact).min())
    row, z = scatter_row(found, 0.9), norm.ppf(0.95)
    assert row["mean_high_m"] - row["mean_low_m"] == pytest.approx(2 * z * sd / np.sqrt(n))
    wide = np.log([row["sd_low_m"] / sd, row["sd_high_m"] / sd])
    assert wide == pytest.approx([-z / np.sqrt(2 * (n - 1)), z / np.sqrt(2 * (n - 1))])
    two = rows.assign(player=np.where(np.arange(n) < 100, "Elm", "Yew"))
    within = scatter_of(two, True)  # around each player's own mean, weighed by their shots
    assert within.mean_m == pytest.approx(mean)
    assert within.covariance[0, 0] == pytest.approx(within.sd_m**2 / n, rel=0.01)


def test_heights_that_a_rally_shares_count_once():
    rng = np.random.default_rng(32)
    once = pd.DataFrame({"height_m": rng.normal(0.8, 0.05, 80), "tin_m": 0.3, "in_tin": False})
    once["rally_id"] = np.arange(80)
    thrice = pd.concat([once] * 3, ignore_index=True)
    one, three = (scatter_of(rows, False).covariance for rows in (once, thrice))
    np.testing.assert_allclose(np.diag(three), np.diag(one), rtol=0.02)  # n / (n - 1) apart


def test_gaps_that_are_all_alike_have_no_column(study):
    rng = np.random.default_rng(15)
    table = study.drops(study.draw_players(rng), 100, rng)
    for gaps, there in ((0.4, False), (np.linspace(0.2, 0.8, len(table)), True)):
        margin = TinMargin().fit(table.assign(gap_m=gaps))
        (gain,) = margin.gains_.values()
        assert ("gap" in gain.curves_.columns_) == there


def test_a_line_of_the_gain_is_lifted_by_the_levels_asked_for_and_sloped_by_the_height(ladder):
    margin = TinMargin(pressure="gap").fit(ladder)
    gain, heights = margin.gains_["drop"], margin.heights_
    values, covariance = gain.curves_.of("Rowan")
    names = gain.curves_.columns_
    slopes = [names.index(name) for name in names if name.startswith("height")]
    mine = heights[heights["stroke"].eq("drop") & heights["player"].eq("Rowan")]
    met = mine.groupby(["side", "pressure"], observed=True)
    assert len(met) == 4
    for (side, pressure), balls in met:
        line, spread = gain.line("Rowan", str(side), str(pressure))
        at = np.array(
            [float(n in ("constant", f"side {side}", f"pressure {pressure}")) for n in names]
        )
        loose = np.log1p(balls["gap_m"].astype(float) / 0.25) - np.log1p(2.0)
        at[names.index("gap")] = loose.fillna(0.0).mean()
        assert line == pytest.approx([at @ values, *values[slopes]])
        assert spread[0] == pytest.approx([at @ covariance @ at, *(covariance @ at)[slopes]])


@pytest.mark.parametrize("kind", ["normal", "skewed", "tails"])
def test_no_best_height_is_told_of_a_scatter_that_is_not_normal(study, kind):
    """Gamma of shape 2 (skewness 1.4) and Student's t of 3 degrees of freedom, tins unseen."""
    rng = np.random.default_rng(31)
    shots = study.drops(study.draw_players(rng), 300, rng)
    drawn = {
        "normal": rng.normal(size=len(shots)),
        "skewed": (rng.gamma(2.0, size=len(shots)) - 2.0) / np.sqrt(2.0),
        "tails": rng.standard_t(3, len(shots)) / np.sqrt(3.0),
    }[kind]
    height = 0.75 + 0.14 * drawn
    low = height < study.TIN_M
    shots = shots.assign(
        wall_z_m=np.where(low, np.nan, height),
        ending=np.where(low, "tin", None),
        won=np.where(low, 0.0, rng.random(len(shots)) < expit(0.4 - 3.0 * (height - 0.75))),
    )
    margin = TinMargin().fit(shots)
    best = margin.best(tin_heights_m=[study.TIN_M])
    named = [note for note in margin.notes_ if "normal scatter" in note]
    assert len(named) == (0 if kind == "normal" else len(best))
    if not named:
        assert (best["status"] == "best height").any()
    else:
        assert (best["status"] == "not known yet").all()
        assert best[["best_m", "gain_per_100"]].isna().all(axis=None)
