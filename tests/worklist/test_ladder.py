"""Redrawn sets of rallies against a log written out anew, and against winners dealt at random."""

import numpy as np
import pytest
from scipy.integrate import quad_vec
from scipy.stats import norm

from sidewall.combinations.effect import as_moments, state_codes
from sidewall.combinations.stratified import mantel_haenszel
from sidewall.models.curves import GapTransform
from sidewall.rallies.intervals import deviation
from sidewall.rallies.value import BallValue, outcomes
from sidewall.worklist.gains import _compared, _InPlay, _lost_by_faults, measures
from sidewall.worklist.ladder import (
    Ladder,
    Redrawn,
    _along_the_gap,
    _only_those_who_play,
    pooled_draws,
)


@pytest.mark.parametrize("kind", ["category", object])
def test_a_ladder_is_of_those_who_play(shots, kind):
    """Players of other matches are no players of this one, however the log holds their names."""
    names = ["player", "opponent", "rally_won_by"]
    one = shots[shots["match"] == "m01"].reset_index(drop=True)
    found = _only_those_who_play(one.astype(dict.fromkeys(names, kind)))
    there = set(one["player"])
    assert len(there) == 2 < len(one["player"].cat.categories)
    for name in names:
        assert set(found[name].dropna().astype("category").cat.categories) == there
        assert found[name].astype(object).equals(one[name].astype(object))


@pytest.mark.parametrize("draw", [0, 31])
def test_a_draws_balls_are_worth_what_the_next_ball_leaves(redrawn, draw):
    """Ball by ball: the rally's result where it ended, else what the opponent is not left."""
    table, after = redrawn.table, redrawn.after
    columns = BallValue().fit(table).columns(table)
    assert columns.shape[1] == after.drawn.shape[1]
    drawn = after.fixed + after.basis @ after.drawn[draw]
    rally = redrawn.rally
    goes_on = np.append(rally[1:] == rally[:-1], False)
    for k in np.flatnonzero(table["won"].notna()):
        expected = (
            0.5 - columns[k + 1] @ after.drawn[draw] if goes_on[k] else float(table["won"].iloc[k])
        )
        assert drawn[k] == pytest.approx(expected)
    assert goes_on.sum() > 1000
    away = (after.basis @ (after.drawn[draw] - after.estimate))[goes_on]
    assert np.abs(away).max() > 0.01


def test_what_a_ball_is_worth_is_drawn_around_its_estimate(redrawn):
    """Their mean lies within five standard errors of so many draws, and they spread as told."""
    after, covariance = redrawn.after, BallValue().fit(redrawn.table).covariance_
    # what rounding may have taken is added
    error = np.sqrt(np.diag(covariance) + len(covariance) * 1e-8 * np.abs(covariance).max())
    draws = len(after.drawn)
    away = np.abs(after.drawn.mean(axis=0) - after.estimate)
    assert (away <= 5 * error / np.sqrt(draws)).all()
    spread = after.drawn.std(axis=0, ddof=1) / error
    assert np.abs(spread - 1.0).max() < 5 / np.sqrt(2 * draws)


def test_players_are_drawn_together_as_if_an_even_rally_moved_to_55_in_100(redrawn):
    """Known by an error of 10 in 100, a standing of value keeps a fifth of itself, no more.

    ``tau^2 / (tau^2 + error^2)`` is 0.2 where the spread tau is 0.05.
    """
    one = next(one for one in measures(redrawn)[0] if one.item == "length")
    assert one.worth == 1.0
    raw = np.tile([-0.05, 0.05], 4)
    rng = np.random.default_rng(12)
    found = pooled_draws(raw, raw + 0.1 * rng.standard_normal((4_000, 8)), one.scale, rng)
    kept = np.polyfit(raw, found.mean(axis=0), 1)[0]
    assert 0.0 < kept < 0.2


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


@pytest.mark.parametrize("scale", [0.02, 0.5])
def test_pooled_standings_are_those_of_an_integral_over_the_spread(scale):
    """Normal means with known errors, a flat common mean, a half-normal spread: by quadrature."""
    rng = np.random.default_rng(8)
    raw = scale * np.array([-1.1, 0.2, 0.4, 1.6])
    draws = 40_000
    drawn = raw + scale * np.array([0.5, 0.3, 0.8, 0.4]) * rng.standard_normal((draws, 4))
    error = drawn.std(axis=0, ddof=1)
    found = pooled_draws(raw, drawn, scale, rng)

    def density(tau, power):
        """Of the spread, times the power of every standing's mean given it (and its variance)."""
        V = tau**2 + error**2
        mu = np.sum(raw / V) / np.sum(1 / V)
        like = np.prod(norm.pdf(raw, mu, np.sqrt(V))) / np.sqrt(np.sum(1 / V))
        like *= np.exp(-0.5 * (tau / scale) ** 2)
        mean = mu + tau**2 / V * (raw - mu)
        spread2 = tau**2 * error**2 / V + (error**2 / V) ** 2 / np.sum(1 / V)
        return like * (1.0, mean, mean**2 + spread2)[power]

    whole, first, second = (
        quad_vec(lambda tau, k=k: density(tau, k), 0.0, 12.0 * scale)[0] for k in range(3)
    )
    mean = first / whole
    sd = np.sqrt(second / whole - mean**2)
    # five standard errors of so many draws
    np.testing.assert_allclose(found.mean(axis=0), mean, atol=5 * sd.max() / np.sqrt(draws))
    np.testing.assert_allclose(found.std(axis=0), sd, rtol=5 / np.sqrt(2 * draws))


def test_too_few_different_gaps_for_a_curve_give_a_mean():
    two = np.repeat([0.3, 0.6], [390, 10])  # most knots of a spline coincide
    assert _along_the_gap(two).tolist() == np.ones((400, 1)).tolist()
    assert _along_the_gap(np.linspace(0.1, 1.5, 400)).shape[1] > 1
    assert _along_the_gap(np.linspace(0.1, 1.5, 4)).shape == (4, 1)


def test_a_length_on_target_is_worth_what_it_leaves_more_than_one_off_it(redrawn):
    """Beside the plain difference of means: which balls were answered changes it by less.

    The two lie on the same side of nothing, and nearer to each other than to it.
    """
    one = next(one for one in measures(redrawn)[0] if one.item == "length_on_target")
    on, after = one.value == 1.0, redrawn.after.charted[one.row]
    plain = after[on].mean() - after[~on].mean()
    assert abs(plain) > 2 * one.worth_error
    assert abs(one.worth - plain) < 0.5 * abs(plain)


def test_errors_of_a_kind_that_never_stayed_in_play_cost_what_the_others_bring(redrawn):
    table = redrawn.table
    told = redrawn.struck & ~np.isnan(redrawn.after.fixed)
    row = np.flatnonzero(told & (table["choice"] == "reset").to_numpy())
    some = table.iloc[row]
    fault = ((some["side"] == "forehand") & (some["family"] == "volley")).to_numpy()
    lost = _lost_by_faults(redrawn, row, fault).charted
    assert 0 < fault.sum() < len(fault)
    assert lost[fault] == pytest.approx(-redrawn.after.charted[row[~fault]].mean())
    assert (lost[~fault] == 0.0).all()


@pytest.mark.parametrize("seed", range(3))
def test_what_an_error_costs_in_every_redrawn_set_shot_by_shot(redrawn, seed):
    """A kind with one shot in play, one with few and one with none; sets may hold none of them."""
    table, rng = redrawn.table, np.random.default_rng(seed)
    told = redrawn.struck & table["won"].notna().to_numpy()
    row = np.sort(rng.choice(np.flatnonzero(told), 60, replace=False))
    some = table.iloc[row]
    kinds = list(zip(some["side"], some["family"], some["choice"], strict=True))
    fault = rng.random(60) < 0.3
    for kind, keep in ((kinds[0], 1), (kinds[1], 0)):
        mine = [k for k in range(60) if kinds[k] == kind]
        fault[mine] = True
        fault[mine[:keep]] = False
    found = _lost_by_faults(redrawn, row, fault)
    after = redrawn.after[row]
    charted = after.charted
    values = after.fixed[None] + (after.basis @ after.drawn.T).T
    times = redrawn.weights[:, redrawn.rally[row]]
    once = 0
    for k in range(60):
        good = [j for j in range(60) if kinds[j] == kinds[k] and not fault[j]]
        usual = charted[good].mean() if good else charted[~fault].mean()
        assert found.charted[k] == pytest.approx(-usual if fault[k] else 0.0)
        drawn = found.fixed[k] + (found.basis @ found.drawn.T)[k]
        for d in range(len(times)):
            n = times[d, good].sum()
            once += n == 1
            mean = (times[d, good] * values[d, good]).sum() / n if n else usual
            assert drawn[d] == pytest.approx(-mean if fault[k] else 0.0)
    assert once > 10


def test_the_error_of_a_comparison_gives_its_interval_back(redrawn):
    """Student's quantile for few rallies is in it."""
    columns = redrawn.columns
    row = np.flatnonzero(redrawn.struck)
    kind = (redrawn.table["stroke"] == "drive").to_numpy()[row]
    worth, error = _compared(redrawn, row, kind)
    codes = state_codes(columns, None, False)
    found = mantel_haenszel(as_moments(columns, row, kind, codes, False), 0.95)
    ends = worth + np.array([-1.0, 1.0]) * norm.ppf(0.975) * error
    assert ends == pytest.approx([found.low, found.high], abs=1e-6)


def test_the_error_of_what_a_length_on_target_is_worth_by_fits_to_every_redrawn_set(redrawn):
    """Least squares in each set of rallies anew, residuals on the target less those off it."""
    one = next(one for one in measures(redrawn)[0] if one.item == "length_on_target")
    on, some = one.value == 1.0, redrawn.table.iloc[one.row]
    after, gap = redrawn.after[one.row], some["gap_m"].to_numpy()
    groups = some.groupby(["side", "family", "choice"], observed=True).indices.values()
    cells = redrawn.against(one.row, after, cell=on.astype(int))[1]
    assert cells.shape == (len(redrawn.weights), 2)
    found = []
    for draw, weights in zip(after.drawn, redrawn.weights, strict=True):
        weight, residual = weights[redrawn.rally[one.row]], after.fixed + after.basis @ draw
        for rows in groups:
            X, root = _along_the_gap(gap[rows]), np.sqrt(weight[rows])
            fit = np.linalg.lstsq(root[:, None] * X, root * residual[rows], rcond=None)[0]
            residual[rows] -= X @ fit
        means = [np.average(residual[part], weights=weight[part]) for part in (on, ~on)]
        found.append(means[0] - means[1])
    assert one.worth_error == pytest.approx(deviation(np.array(found)), rel=1e-6)


def test_who_wins_half_as_much_in_play_loses_half_as_much_by_an_error():
    """Where it is known well; drawn toward the ladder where it is not, and 1 where nothing is."""
    rng = np.random.default_rng(3)
    more = np.array([-0.3, 0.02, -0.02, 0.01, np.nan])
    noise = rng.standard_normal((4_000, 5))
    known = np.array([True, True, True, False, True])
    sure, vague = (
        _InPlay(np.full(5, 0.6), more, more + error * noise).times(known, rng)
        for error in (0.005, 0.15)
    )
    assert sure.mean(axis=0)[:3] == pytest.approx(1.0 + more[:3] / 0.6, abs=0.01)
    assert sure.std(axis=0)[:3] == pytest.approx([0.005 / 0.6] * 3, rel=0.1)
    assert 0.5 < vague.mean(axis=0)[0] < 0.95
    assert (sure[:, 3:] == 1.0).all()


def test_shots_in_play_bring_what_they_leave_between_the_two_who_play(redrawn):
    """Shot by shot, with both players' strengths; the ladder's between average players."""
    table, names = redrawn.table, redrawn.names
    told = redrawn.struck & (table["choice"] == "attack") & table["won"].notna()
    row = np.flatnonzero(told & ~redrawn.fault)
    found = _InPlay.of(redrawn, row)
    own = outcomes(table, BallValue().fit(table), 1).outcome[row]
    player = redrawn.player[row]
    n = np.bincount(player, minlength=len(names))
    both = np.bincount(player, own, minlength=len(names)) / n
    assert found.ladder + found.more == pytest.approx(both)
    plain = np.bincount(player, redrawn.after.charted[row], minlength=len(names)) / n
    assert np.abs(both - plain).max() > 0.005
    # the ladder's are means over all players' shots with such balls
    assert (found.ladder * n).sum() == pytest.approx((plain * n).sum())
    error = found.drawn.std(axis=0, ddof=1) / np.sqrt(len(found.drawn))
    assert (np.abs(found.drawn.mean(axis=0) - found.more) < 5 * error).all()


def test_what_shots_in_play_bring_is_told_in_every_set_that_holds_one(redrawn):
    """Fits to every redrawn set anew; a set without a shot of the player's tells nothing new."""
    table = redrawn.table
    told = redrawn.struck & (table["choice"] == "attack") & table["won"].notna()
    row = np.flatnonzero(told & ~redrawn.fault)
    row = np.concatenate([row[redrawn.player[row] == 0][:1], row[redrawn.player[row] > 0]])
    found = _InPlay.of(redrawn, row)
    after, mine = redrawn.after[row], redrawn.weights[:, redrawn.rally[row[0]]]
    assert {0, 1} <= set(mine)
    some = table.iloc[row]
    alike = (some[["side", "family"]] == some[["side", "family"]].iloc[0]).all(axis=1).to_numpy()
    X = _along_the_gap(some["gap_m"].to_numpy(dtype=float)[alike])
    edge = redrawn.edge[row[0]]
    for draw, times in enumerate(mine):
        if times == 0:
            assert found.drawn[draw, 0] == found.more[0]
            continue
        value = after.fixed + after.basis @ after.drawn[draw]
        root = np.sqrt(redrawn.weights[draw, redrawn.rally[row]])[alike]
        fit = np.linalg.lstsq(root[:, None] * X, root * value[alike], rcond=None)[0]
        assert found.drawn[draw, 0] == pytest.approx(value[0] - X[0] @ fit + edge, abs=1e-6)
