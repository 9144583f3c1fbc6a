import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize
from scipy.special import expit, logit
from statsmodels.stats.contingency_tables import StratifiedTable

import sidewall as sw
from sidewall import simulate
from sidewall.log.vocabulary import CHOICES, SIDES
from sidewall.progress.measures import (
    Change,
    _around_the_level,
    _fit,
    _Period,
    _shift,
    _two_players,
    attack_rows,
    change_columns,
    comfort_rows,
    own_change,
    share_change,
    threshold_rows,
)
from sidewall.rallies.value import SLOPE


@pytest.fixture(scope="module")
def fitted(joined):
    shots, _, after = joined
    model = sw.TightnessModel(draws=200).fit(shots)
    late = model.used_["match"].astype(str).isin(set(after.values())).to_numpy()
    return model, late, sw.shot_features(shots)


def one_level(y, rally):
    """One column about an even chance, as binary outcomes."""
    n = len(y)
    return _fit(y, np.full(n, 0.5), np.ones((n, 1)), rally, 1.0, np.zeros((n, 0)), np.zeros(n))


def test_a_change_of_level_is_found_without_shrinkage():
    """One column, independent rows: the maximum likelihood answer and its error."""
    y = (np.random.default_rng(5).random(4000) < 0.7).astype(float)
    found = one_level(y, np.arange(4000))
    p = y.mean()
    assert found.deviation[0] == pytest.approx(np.log(p / (1 - p)), abs=2e-3)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(
        1 / np.sqrt(4000 * p * (1 - p)), rel=0.02
    )


def test_rallies_of_like_shots_know_less():
    y = np.repeat(np.random.default_rng(6).random(500) < 0.5, 8).astype(float)
    alone = one_level(y, np.arange(4000))
    rallies = one_level(y, np.repeat(np.arange(500), 8))
    assert rallies.covariance[0, 0] == pytest.approx(8 * alone.covariance[0, 0], rel=0.05)


def test_wins_without_fault_end_where_the_prior_holds_them():
    """20 (1 - p) = d / 3^2, near 3.8 log odds."""
    found = one_level(np.ones(20), np.arange(20))
    mode = brentq(lambda d: 20 * expit(-d) - d / 3.0**2, 0.0, 10.0)
    assert found.deviation[0] == pytest.approx(mode, rel=1e-3)


def test_level_lies_between_the_periods(fitted):
    model, after, table = fitted
    for change in own_change(model, "Rowan", after, table).values():
        # information shares add up: half the way is the level where both periods weigh alike
        gap = np.linalg.norm(change.before + change.after) / 2
        assert gap < 0.5 * np.linalg.norm(change.after - change.before)


def exact(logs_of, gap_m=0.5):
    """Log odds of every player's curves at a gap, mean of the cells, attack then reset."""
    players, plan = logs_of
    curves = simulate.true_curves(players, plan, gaps_m=[gap_m])
    curves["logit"] = logit(curves["win_probability"])
    return curves.groupby(["player", "choice"])["logit"].mean()


def test_changes_agree_with_the_exact_ones(fitted, ladders):
    model, after, table = fitted
    truth = exact(ladders[1]) - exact(ladders[0])
    assert truth["Rowan", "attack"] > truth["Rowan", "reset"] > 0.3
    cells = len(model.cells_)
    step = change_columns(np.arange(cells), np.full(cells, 0.5), cells).mean(axis=0)
    # the others change too, since they meet a better Rowan; strengths tell that in part only
    found = own_change(model, "Rowan", after, table)
    for choice in ("attack", "reset"):
        error = np.sqrt(step @ found[choice].covariance @ step)
        assert 0.005 < error < 0.4
        change = step @ (found[choice].after - found[choice].before)
        assert abs(change - truth["Rowan", choice]) < 3.0 * error + 0.5 * truth["Rowan", choice]
        assert change > 2.0 * error


def each_alone(before, after, strata=None):
    """Shots that are rallies of their own, in one match each period."""
    y = np.concatenate([before, after]).astype(float)
    when = np.repeat([False, True], [len(before), len(after)])
    rally = np.arange(len(y))
    strata = np.zeros(len(y)) if strata is None else strata
    return share_change(y, strata, when, rally, when.astype(int))


def by_loops(success, stratum, after, rally, match):
    """The definition of `share_change` in plain loops: shares, errors, shots and rallies."""
    shots = list(zip(success, stratum, after, rally, match, strict=True))
    both = [k for k in set(stratum) if {a for _, s, a, _, _ in shots if s == k} == {True, False}]
    shots = [one for one in shots if one[1] in both]
    of = [[one for one in shots if one[2] == p] for p in (False, True)]
    n = tuple(len(part) for part in of)
    rallies = tuple(len({one[3] for one in part}) for part in of)
    if min(*n, *rallies) < 10:
        return [np.nan] * 5, n, rallies
    count = {(k, p): sum(one[1] == k for one in of[p]) for k in both for p in (0, 1)}
    hits = {(k, p): sum(one[0] for one in of[p] if one[1] == k) for k in both for p in (0, 1)}
    weight = {k: count[k, 0] * count[k, 1] / (count[k, 0] + count[k, 1]) for k in both}
    total = sum(weight.values())
    weight = {k: w / total for k, w in weight.items()}
    shares = [sum(weight[k] * hits[k, p] / count[k, p] for k in both) for p in (0, 1)]
    enough = min(len({one[4] for one in part}) for part in of) >= 3
    variances = []
    for p in (0, 1):
        found = []
        for at in (3, 4) if enough else (3,):
            sums = {}
            for one in of[p]:
                y, k = one[0], one[1]
                part = weight[k] * (y - hits[k, p] / count[k, p]) / count[k, p]
                sums[one[at]] = sums.get(one[at], 0.0) + part
            G = len(sums)
            found.append(G / max(G - 1, 1) * sum(v * v for v in sums.values()))
        pooled = {k: (hits[k, 0] + hits[k, 1] + 1) / (count[k, 0] + count[k, 1] + 2) for k in both}
        found.append(sum(weight[k] ** 2 * q * (1 - q) / count[k, p] for k, q in pooled.items()))
        variances.append(max(found))
    return [*shares, *np.sqrt(variances), np.sqrt(sum(variances))], n, rallies


@pytest.mark.parametrize("seed", range(12))
def test_a_change_of_a_share_by_plain_loops(seed):
    """Strata met in one period only, rallies of many shots, two to five matches a period."""
    rng = np.random.default_rng(seed)
    n = 140
    rally = np.sort(rng.integers(0, (14, 30, 90)[seed % 3], n))
    match = rally // (3, 12, 20)[seed % 3]
    after = match >= (match.max() + 1) // 2
    stratum = rng.choice(["a", "b", "c", "d"], n, p=[0.5, 0.3, 0.15, 0.05])
    stratum = np.where((stratum == "c") & after, "e", stratum)
    success = (rng.random(n) < (0.0, 0.3, 0.7)[seed // 4]).astype(float)
    found = share_change(success, stratum, after, rally, match)
    numbers, shots, rallies = by_loops(success, stratum, after, rally, match)
    ours = [found.before, found.after, found.before_error, found.after_error, found.error]
    assert ours == pytest.approx(numbers, nan_ok=True)
    assert (found.n, found.rallies) == (shots, rallies)


@pytest.mark.parametrize(("rallies", "told"), [(9, False), (10, True)])
def test_ten_rallies_in_each_period_are_enough_and_nine_are_not(rallies, told):
    for when in (True, False):
        rally = np.concatenate([np.arange(30) % rallies, 100 + np.arange(30)])
        after = (rally >= 100) == when
        found = share_change(np.arange(60) % 2.0, np.zeros(60), after, rally, after)
        assert np.isfinite(found.error) == told


def test_one_stratum_is_the_plain_difference():
    found = each_alone([1] * 30 + [0] * 70, [1] * 45 + [0] * 55)
    assert found.before == pytest.approx(0.30)
    assert found.change == pytest.approx(0.15)
    plain = np.sqrt(0.3 * 0.7 / 99 + 0.45 * 0.55 / 99)
    assert plain <= found.error < 1.05 * plain


def test_a_change_of_mix_alone_is_no_change():
    # easy and hard targets, 80 and 20 in 100 on target throughout; after, more hard ones
    before = [1] * 64 + [0] * 16 + [1] * 4 + [0] * 16
    after = [1] * 16 + [0] * 4 + [1] * 16 + [0] * 64
    strata = np.array(["easy"] * 80 + ["hard"] * 20 + ["easy"] * 20 + ["hard"] * 80)
    found = each_alone(before, after, strata)
    assert np.mean(after) - np.mean(before) == pytest.approx(-0.36)
    assert found.change == pytest.approx(0.0, abs=1e-12)


def test_strata_are_weighed_as_mantel_and_haenszel_do():
    rng = np.random.default_rng(2)
    n = 400
    strata, when = rng.integers(0, 4, n), rng.random(n) < 0.4
    y = (rng.random(n) < 0.2 + 0.15 * strata + 0.1 * when).astype(float)
    found = share_change(y, strata, when, np.arange(n), when.astype(int))
    # Mantel-Haenszel risk difference by hand from statsmodels' stratified tables
    tables = [
        [[((strata == k) & when & (y == v)).sum() for v in (1, 0)],
         [((strata == k) & ~when & (y == v)).sum() for v in (1, 0)]]
        for k in range(4)
    ]  # fmt: skip
    table = np.asarray(StratifiedTable(tables).table, dtype=float)  # (2, 2, K)
    a, n1, c, n0 = table[0, 0], table[0].sum(axis=0), table[1, 0], table[1].sum(axis=0)
    expected = np.sum((a * n0 - c * n1) / (n1 + n0)) / np.sum(n1 * n0 / (n1 + n0))
    assert found.change == pytest.approx(expected)


def test_shots_that_agree_within_a_rally_count_for_less():
    rng = np.random.default_rng(3)
    rally = np.repeat(np.arange(100), 4)
    y = np.repeat(rng.random(100) < 0.5, 4).astype(float)
    when = rally >= 50
    found = share_change(y, np.zeros(400), when, rally, when.astype(int))
    alone = share_change(y, np.zeros(400), when, np.arange(400), when.astype(int))
    assert found.error == pytest.approx(2.0 * alone.error, rel=0.1)


def test_the_error_is_that_of_the_spread_of_rallies():
    """Rallies of five shots, 11 before and 14 after, alike within: rallies are what is counted."""
    won = [np.repeat(of_rally, 5).astype(float) for of_rally in (
        np.array([1, 1, 0, 1, 0, 0, 1, 0, 1, 0, 0]),
        np.array([1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1, 0]),
    )]  # fmt: skip
    y = np.concatenate(won)
    rally = np.arange(len(y)) // 5
    when = np.arange(len(y)) >= len(won[0])
    found = share_change(y, np.zeros(len(y)), when, rally, when.astype(int))
    errors = [np.std(one[::5], ddof=1) / np.sqrt(len(one) / 5) for one in won]
    assert (found.before_error, found.after_error) == pytest.approx(tuple(errors))
    assert found.error == pytest.approx(np.hypot(*errors))


def test_matches_that_differ_widen_the_error():
    rng = np.random.default_rng(4)
    match = np.repeat(np.arange(6), 100)
    chance = np.array([0.2, 0.8, 0.5, 0.3, 0.7, 0.5])[match]
    y = (rng.random(600) < chance).astype(float)
    by_match = share_change(y, np.zeros(600), match >= 3, np.arange(600), match)
    one = share_change(y, np.zeros(600), match >= 3, np.arange(600), (match >= 3).astype(int))
    assert by_match.error > 3.0 * one.error


def test_few_shots_give_no_answer_and_no_hits_give_an_error_above_zero():
    assert np.isnan(each_alone([1] * 9, [0] * 50).error)
    none = each_alone([0] * 30, [0] * 30)
    assert none.change == 0.0
    assert none.error > 0.02


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(20, 80))
def test_exchanging_periods_turns_the_sign(seed, n):
    rng = np.random.default_rng(seed)
    when = np.arange(2 * n) >= n
    y, strata = (rng.random(2 * n) < 0.4).astype(float), rng.integers(0, 2, 2 * n)
    one = share_change(y, strata, when, np.arange(2 * n), when.astype(int))
    two = share_change(y, strata, ~when, np.arange(2 * n), when.astype(int))
    assert one.change == pytest.approx(-two.change, abs=1e-12)
    assert one.error == pytest.approx(two.error)
    assert 0.0 <= one.before <= 1.0


def test_what_a_period_knows_is_the_curvature_of_its_penalised_likelihood():
    """Two columns: the estimate climbs no further, and its information by differences."""
    rng = np.random.default_rng(17)
    n = 300
    C = np.column_stack([np.ones(n), rng.standard_normal(n)])
    base = rng.uniform(0.3, 0.7, n)
    y = (rng.random(n) < base).astype(float)
    found = _fit(y, base, C, np.arange(n), 1.0, np.zeros((n, 0)), np.zeros(n))

    def likelihood(d):
        eta = logit(base) + C @ d
        return y @ eta - np.logaddexp(0.0, eta).sum() - 0.5 * d @ d / 3.0**2

    h, axes = 1e-3, np.eye(2)
    at = found.deviation
    slope = [(likelihood(at + h * e) - likelihood(at - h * e)) / (2 * h) for e in axes]
    np.testing.assert_allclose(slope, 0.0, atol=1e-3)
    curvature = [
        [
            sum(a * b * likelihood(at + h * (a * e + b * f)) for a in (-1, 1) for b in (-1, 1))
            / (4 * h * h)
            for f in axes
        ]
        for e in axes
    ]
    np.testing.assert_allclose(found.information, -np.array(curvature), rtol=1e-3, atol=1e-2)


def test_comfort_needs_both_sides_in_both_periods(fitted):
    """In the period after stand nothing but forehands: too few backhands to compare."""
    model, _, _ = fitted
    player = model.players_[0]
    forehand = (model.used_["side"] == "forehand").to_numpy()
    after = forehand & (np.cumsum(forehand) % 2 == 0)
    rows = comfort_rows(model, player, None, after)
    assert rows
    assert all("shots of a side in a period" in row["note"] for row in rows)


@pytest.mark.parametrize("seed", range(4))
def test_a_periods_deviations_are_where_the_penalised_likelihood_is_highest(seed):
    """By another program's search, with the errors of rallies added up one by one."""
    rng = np.random.default_rng(seed)
    n, k = 60, 3
    C = rng.standard_normal((n, k)) / 2
    base, scale = rng.uniform(0.3, 0.7, n), 0.5 + rng.random()
    y, rally = rng.random(n), rng.integers(0, 12, n) + 7
    shifts, lead = rng.standard_normal((n, 2)), rng.standard_normal(n)
    found = _fit(y, base, C, rally, scale, shifts, lead)

    def cost(d):
        eta = logit(base) + C @ d
        return (np.logaddexp(0.0, eta) - y * eta).sum() / scale + d @ d / 18.0

    d = minimize(cost, np.zeros(k), method="BFGS", options={"gtol": 1e-9}).x
    np.testing.assert_allclose(found.deviation, d, atol=1e-6)
    p = expit(logit(base) + C @ d)
    information, J = np.eye(k) / 9.0, np.zeros((k, k))
    for c, q in zip(C, p, strict=True):
        information += q * (1 - q) / scale * np.outer(c, c)
    clusters = set(rally.tolist())
    for one in clusters:
        score = sum((y[i] - p[i]) / scale * C[i] for i in np.flatnonzero(rally == one))
        J += len(clusters) / (len(clusters) - k) * np.outer(score, score)
    inverse = np.linalg.inv(information)
    covariance = inverse @ (J + np.eye(k) / 9.0) @ inverse
    np.testing.assert_allclose(found.information, information, rtol=1e-5)
    np.testing.assert_allclose(found.covariance, covariance, rtol=1e-4, atol=1e-9)
    # an outcome that moves by one moves the deviations by the inverse times its score
    moves = sum(np.outer(inverse @ C[i] / scale, shifts[i]) for i in range(n))
    np.testing.assert_allclose(found.moves, moves, rtol=1e-4, atol=1e-7)
    np.testing.assert_allclose(
        found.lead, sum(inverse @ C[i] / scale * lead[i] for i in range(n)), rtol=1e-4, atol=1e-7
    )


def test_level_and_change_lie_around_the_model_in_shares_of_what_is_known():
    """One column: information 3 before and 1 after, so that a quarter of the change lies before."""
    before, after = (
        _Period(*(np.array(one) for one in ([d], [[v]], [[i]], [[m]], [s])))
        for d, v, i, m, s in ((0.1, 0.2, 3.0, 0.5, 0.7), (0.9, 0.6, 1.0, 0.8, 0.4))
    )
    found = _around_the_level(before, after, np.array([[2.0]]), np.diag([0.3, 0.1]))
    total = 0.2 + 0.6 + 2.0 * (0.8 - 0.5) ** 2
    assert found.share == pytest.approx(0.25)
    assert (found.before[0], found.after[0]) == pytest.approx((-0.25 * 0.8, 0.75 * 0.8))
    assert found.covariance == pytest.approx(total)
    assert found.before_covariance == pytest.approx(0.25**2 * total)
    assert found.after_covariance == pytest.approx(0.75**2 * total)
    assert found.strengths == pytest.approx(0.7**2 * 0.3 + 0.4**2 * 0.1)


def test_an_error_of_the_values_that_moves_both_periods_alike_is_none_of_the_change():
    rng = np.random.default_rng(18)
    one, two = np.eye(2), 2.0 * np.eye(2)
    values = np.diag([0.5, 1.0, 2.0])
    moves = rng.standard_normal((2, 2, 3))

    def error(*of):
        before, after = (
            _Period(np.zeros(2), K, np.eye(2), M, np.zeros(2))
            for K, M in zip((one, two), of, strict=True)
        )
        return _around_the_level(before, after, values, np.zeros((2, 2))).covariance

    assert error(moves[0], moves[0]) == pytest.approx(one + two)
    apart = moves[1] - moves[0]
    assert error(*moves) == pytest.approx(one + two + apart @ values @ apart.T)


def test_errors_of_the_strengths_are_in_what_attacks_win(fitted):
    """Strengths known to 0.1 and 0.2 that move the level by a tenth of it: root 0.01^2 + 0.02^2."""
    model, late, _ = fitted
    strengths, lead = np.diag([0.1, 0.2]) ** 2, np.zeros(len(model.cells_) + 1)
    lead[:-1] = 0.1
    none, one = np.zeros((len(lead), len(lead))), np.eye(len(lead))
    periods = [_Period(np.zeros(len(lead)), none, one, np.zeros((len(lead), 0)), lead)] * 2
    change = _around_the_level(*periods, np.zeros((0, 0)), strengths)
    plain = still(len(lead))["attack"]
    for row, exact in zip(
        attack_rows(model, "Rowan", {"attack": change}, late),
        attack_rows(model, "Rowan", {"attack": plain}, late),
        strict=True,
    ):
        mine = (model.used_["player"] == "Rowan") & (model.used_["side"] == row["side"])
        balls = model.used_[mine & (model.used_["choice"] == "attack")]
        p = model.posterior_.of_own(model.players_.index("Rowan"), balls).mean(axis=0)
        slope = (p * (1.0 - p)).mean()
        assert row["error"] == pytest.approx(slope * np.sqrt(0.01**2 + 0.02**2))
        # half of the change lies before, where both periods know as much
        for name in ("before_error", "after_error"):
            more = row[name] ** 2 - exact[name] ** 2
            assert more == pytest.approx((row["error"] / 2.0) ** 2)


def test_where_nothing_moved_a_threshold_is_as_sure_as_the_models_own_gain_there(fitted):
    model = fitted[0]
    i, t = model.players_.index("Rowan"), 0.6
    row = _shift(model, i, 0, still(len(model.cells_) + 1), t)
    gain = model.posterior_.gain(i, 0, np.array([t - 0.05, t, t + 0.05]))
    rise = (gain[:, 2] - gain[:, 0]).mean() / 0.1
    assert row["before"] == row["after"] == t
    assert row["before_error"] == pytest.approx(gain[:, 1].std() / abs(rise), rel=0.05)


def test_the_error_of_the_strengths_is_in_every_shot_that_leaves_a_ball(fitted):
    """Nearly every reset leaves one, and of the attacks those that end no rally."""
    model, late, table = fitted
    change = own_change(model, "Rowan", late, table)
    cells = len(model.cells_)
    attack, reset = (np.diag(change[name].strengths)[:cells] for name in ("attack", "reset"))
    assert (reset > attack).all()


def test_the_player_alone_has_another_name_in_the_period_after():
    names = ["Alder", "Birch", "Cedar"]
    table = pd.DataFrame({"match": ["a", "a", "b", "b", "b"], "player": [*names[:2], *names]})
    found = _two_players(table.assign(opponent=table["player"][::-1].to_numpy()), "Birch", {"b"})
    new = ["Alder", "Birch", "Alder", "Birch\nafter", "Cedar"]
    assert found["player"].tolist() == new
    # turned round, Birch is the opponent once in each period
    assert found["opponent"].tolist() == ["Cedar", "Birch", "Alder", "Birch\nafter", "Alder"]


def still(k):
    """No change of either choice, told without error."""
    half = np.eye(k) / 2
    return {c: Change(np.zeros(k), np.zeros(k), *np.zeros((4, k, k)), half) for c in CHOICES}


def test_the_weaker_side_is_the_one_that_wins_less_from_the_same_balls(fitted):
    """Where nothing changed, it wins so much less in both periods; the same balls for both."""
    model, late, _ = fitted
    sides = set()
    for player in model.players_:
        own = (model.used_["player"].astype(str) == player).to_numpy()
        for row in comfort_rows(model, player, still(len(model.cells_) + 1), late):
            balls = model.used_[own & (model.used_["family"] == row["family"]).to_numpy()]
            i = model.players_.index(player)
            forehand, backhand = (
                model.posterior_.of_own(i, balls.assign(side=side)).mean() for side in SIDES
            )
            assert row["side"] == ("backhand" if backhand < forehand else "forehand")
            assert row["before"] == pytest.approx(abs(backhand - forehand))
            assert row["after"] == pytest.approx(row["before"])
            assert row["error"] == 0.0
            sides.add(row["side"])
    assert sides == set(SIDES)


@pytest.mark.parametrize("moved", SIDES)
def test_a_side_with_a_level_of_its_own_moves_comfort_as_its_chances_move(fitted, moved):
    """A small step of one side's level, against each ball's chance worked out anew."""
    model, late, _ = fitted
    i, step, cells = 0, 1e-3, len(model.cells_)
    found = still(cells + 1)
    for change in found.values():
        change.after[:cells] = [step * (side == moved) for side, _ in model.cells_]
    own = (model.used_["player"].astype(str) == model.players_[i]).to_numpy()
    for row in comfort_rows(model, model.players_[i], found, late):
        balls = model.used_[own & (model.used_["family"] == row["family"]).to_numpy()]
        p = model.posterior_.of_own(i, balls.assign(side=moved)).mean(axis=0)
        more = (expit(logit(p) + step) - p).mean()
        # what the weaker side wins less: less still where the other rises
        sign = -1.0 if row["side"] == moved else 1.0
        assert row["after"] - row["before"] == pytest.approx(sign * more, rel=1e-2)


def test_what_a_periods_shots_are_judged_by(fitted, monkeypatch):
    """Shot by shot: by a period's own value of the ball left, which strengths move, or the end."""
    model, late, table = fitted
    asked, fit = [], own_change.__globals__["_fit"]

    def seen(*given):
        asked.append(given)
        return fit(*given)

    monkeypatch.setitem(own_change.__globals__, "_fit", seen)
    own_change(model, "Rowan", late, table)
    used = model.used_[(model.used_["player"] == "Rowan").to_numpy()]
    when = late[(model.used_["player"] == "Rowan").to_numpy()]
    rally, won = table["rally_id"].to_numpy(), table["won"].to_numpy(dtype=float)
    goes_on = np.append(rally[1:] == rally[:-1], False)
    periods = [(choice, p) for choice in CHOICES for p in (False, True)]
    assert len(asked) == len(periods)
    for (choice, p), (y, base, columns, of_rally, scale, shifts, lead) in zip(
        periods, asked, strict=True
    ):
        rows = used[(used["choice"] == choice).to_numpy() & (when == p)]
        at = rows["row"].to_numpy()
        assert of_rally.tolist() == rally[at].tolist()
        assert scale == model.curves_[choice].dispersion
        np.testing.assert_array_equal(lead, np.where(goes_on[at], SLOPE, 0.0))
        ends = ~goes_on[at]
        assert ends.any()
        np.testing.assert_array_equal(y[ends], won[at[ends]])
        assert (shifts[ends] == 0.0).all()
        assert (np.abs(shifts[~ends]).max(axis=1) > 0).all()
        assert ((y[~ends] > 0) & (y[~ends] < 1)).all()
        np.testing.assert_allclose(base, model.posterior_.mean_of(rows))
        for k, (side, family) in enumerate(model.cells_):
            here = (rows["side"] == side) & (rows["family"] == family)
            np.testing.assert_array_equal(columns[:, k], here.to_numpy(dtype=float))


@pytest.mark.parametrize(("few", "told"), [(9, False), (10, True)])
@pytest.mark.parametrize("turned", [False, True])
def test_comfort_is_told_from_ten_shots_of_a_side_in_each_period(fitted, few, told, turned):
    model, _, _ = fitted
    used = model.used_
    mine = (used["player"].astype(str) == "Rowan") & (used["family"] == "ground")
    for side in ("backhand", "forehand"):
        at = np.flatnonzero((mine & (used["side"] == side)).to_numpy())
        after = np.ones(len(used), dtype=bool)
        after[np.flatnonzero((mine & (used["side"] != side)).to_numpy())[::2]] = False
        after[at[:few]] = False
        rows = comfort_rows(model, "Rowan", still(len(model.cells_) + 1), after ^ turned)
        ground = next(row for row in rows if row["family"] == "ground")
        assert np.isfinite(ground["before"]) == told
        assert ("fewer than 10 shots of a side" in ground["note"]) != told


def test_a_threshold_moves_by_the_gain_over_its_slope(fitted):
    """The slope by differences over twelve centimetres, which a curve's bend changes little."""
    model, _, _ = fitted
    i, j, t, step = 0, 0, 0.5, 1e-3
    found = still(len(model.cells_) + 1)
    found["attack"].after[j] = step
    row = _shift(model, i, j, found, t)
    gain = model.posterior_.gain(i, j, np.array([t - 0.06, t + 0.06])).mean(axis=0)
    slope = (gain[1] - gain[0]) / 0.12
    p = model.posterior_.win(i, j, "attack", np.array([t])).mean()
    assert row["before"] == pytest.approx(t)
    assert row["after"] - t == pytest.approx(-(expit(logit(p) + step) - p) / slope, rel=0.15)


@pytest.mark.parametrize("side", SIDES)
def test_attacks_of_a_side_win_more_as_each_balls_chance_rises(fitted, side):
    """A small step of one side's level, against each attacked ball's chance worked out anew."""
    model, late, _ = fitted
    step, cells, attack = 1e-3, len(model.cells_), still(len(model.cells_) + 1)
    attack["attack"].after[:cells] = [step * (one == side) for one, _ in model.cells_]
    name = model.players_[1]
    own = (model.used_["player"].astype(str) == name).to_numpy()
    for row in attack_rows(model, name, attack, late):
        mine = own & ((model.used_["side"] == row["side"]) & (model.used_["choice"] == "attack"))
        p = model.posterior_.of_own(1, model.used_[mine]).mean(axis=0)
        assert (row["n_before"], row["n_after"]) == ((mine & ~late).sum(), (mine & late).sum())
        assert row["before"] == pytest.approx(p.mean())
        more = (expit(logit(p) + step) - p).mean() if row["side"] == side else 0.0
        assert row["after"] - row["before"] == pytest.approx(more, rel=1e-2, abs=1e-9)
        assert row["error"] == 0.0
        assert row["better_when"] == "higher"


@pytest.mark.parametrize(("few", "told"), [(4, False), (5, True)])
def test_what_attacks_win_is_told_from_five_in_each_period(fitted, few, told):
    model, _, _ = fitted
    used = model.used_
    mine = (used["player"].astype(str) == "Rowan") & (used["choice"] == "attack")
    at = np.flatnonzero((mine & (used["side"] == "forehand")).to_numpy())
    after = np.ones(len(used), dtype=bool)
    after[at[:few]] = False
    for when in (after, ~after):
        row = attack_rows(model, "Rowan", still(len(model.cells_) + 1), when)[0]
        assert np.isfinite(row["before"]) == told
        assert ("fewer than 5 attacks" in row["note"]) != told


@pytest.mark.parametrize("choice", CHOICES)
@pytest.mark.parametrize(("few", "told"), [(4, False), (5, True)])
def test_a_threshold_is_told_from_five_of_each_choice_in_each_period(fitted, few, told, choice):
    model, _, _ = fitted
    used = model.used_
    mine = (used["player"].astype(str) == "Rowan") & (used["side"] == "forehand")
    mine &= used["family"] == "ground"
    after = np.arange(len(used)) % 2 == 0
    at = np.flatnonzero((mine & (used["choice"] == choice)).to_numpy())
    after[at] = True
    after[at[:few]] = False
    for when in (after, ~after):
        changes = still(len(model.cells_) + 1)
        rows = threshold_rows(model, "Rowan", changes, when, 0.95)
        (row,) = [r for r in rows if (r["side"], r["family"]) == ("forehand", "ground")]
        assert np.isfinite(row["before"]) == told
        assert row["note"].startswith("fewer than 5 attacks or resets in a period") != told
