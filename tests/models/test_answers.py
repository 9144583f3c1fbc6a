"""Answers read off draws: against plain loops, plain tables and sums done another way."""

from copy import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.special import expit

from sidewall.models import TightnessModel
from sidewall.models.answers import (
    ALWAYS_ATTACK,
    ALWAYS_RESET,
    CROSSES,
    NOT_KNOWN,
    Asked,
    own_share,
    own_words,
    rule_of,
    shots_to_settle,
    threshold_and_share,
    threshold_of,
)
from sidewall.models.curves import side_and_volley
from sidewall.models.fitting import Judge, Mode, ScorePart
from sidewall.models.posterior import Posterior, crossings

CHOICES = ("attack", "reset")

# -- crossings, thresholds, rules ------------------------------------------------------------

small = st.sampled_from([-2.0, -1.0, -0.25, 0.0, 0.5, 1.0, 3.0])
gains = st.tuples(st.integers(1, 8), st.integers(2, 9)).flatmap(
    lambda shape: arrays(float, shape, elements=small)
)


def last_crossing(gain, gaps):
    """From the right: the gain at once positive for good."""
    if gain[-1] <= 0:
        return np.inf
    for k in range(len(gaps) - 2, -1, -1):
        if gain[k] <= 0:
            share = (0.0 - gain[k]) / (gain[k + 1] - gain[k])
            return gaps[k] + share * (gaps[k + 1] - gaps[k])
    return -np.inf


@given(gains)
def test_crossings_are_those_of_a_plain_loop(gain):
    gaps = np.linspace(0.0, 2.0, gain.shape[1]) ** 1.5
    expected = [last_crossing(row, gaps) for row in gain]
    np.testing.assert_allclose(crossings(gain, gaps), expected, atol=1e-12)


crossing_draws = st.lists(
    st.one_of(st.floats(0.0, 2.0), st.sampled_from([-np.inf, np.inf])), min_size=1, max_size=60
)


@given(crossing_draws, st.sampled_from([0.5, 0.75, 0.875]))
def test_the_set_is_of_order_statistics_and_the_status_follows(found, level):
    x = np.array(found)
    low = np.quantile(x, (1 - level) / 2, method="lower")
    high = np.quantile(x, (1 + level) / 2, method="higher")
    answer = threshold_of(x, level)
    if high == -np.inf:
        assert answer.status == ALWAYS_ATTACK
    elif low == np.inf:
        assert answer.status == ALWAYS_RESET
    elif np.isfinite([low, high]).all():
        assert answer.status == CROSSES
        assert (answer.low_m, answer.high_m) == (low, high)
        assert low <= answer.gap_m <= high
        assert answer.gap_m == np.median(x)
    else:
        assert answer.status == NOT_KNOWN
        assert np.isnan(answer.gap_m)
        # an end is told where it is finite: below it resetting is better, above it attacking
        for end, exact in ((answer.low_m, low), (answer.high_m, high)):
            assert end == exact if np.isfinite(exact) else np.isnan(end)


def test_a_higher_level_gives_a_wider_set():
    x = np.random.default_rng(0).normal(0.6, 0.1, 1000)
    narrow, wide = threshold_of(x, 0.8), threshold_of(x, 0.99)
    assert wide.low_m < narrow.low_m < narrow.high_m < wide.high_m


@given(gains, st.lists(st.floats(0.0, 2.8), min_size=1, max_size=10), st.booleans())
def test_the_rule_and_its_cost_are_those_of_plain_loops(gain, met, weighed):
    n, size = gain.shape
    gaps = np.linspace(0.0, 2.8, size)
    weight = np.arange(1.0, n + 1) / np.arange(1.0, n + 1).sum() if weighed else np.full(n, 1 / n)
    found = rule_of(gain, gaps, np.array(met), 0.9, weight if weighed else None)
    share = 0.5 if weighed else 0.65
    says = np.array([sum(weight[i] for i in range(n) if gain[i, k] > 0) for k in range(size)])
    assume(not np.isclose(says, share).any())  # on the edge, rounding decides
    assert found.gap_m == pytest.approx(last_crossing(says - share, gaps), abs=1e-9)
    costs = []
    for row in gain:
        lost = 0.0
        for gap in met:
            g = np.interp(gap, gaps, row)
            lost += max(g, 0.0) - (g if gap >= found.gap_m else 0.0)
        costs.append(lost / len(met))
    assert found.cost == pytest.approx(100 * np.dot(weight, costs), abs=1e-9)
    order = np.argsort(costs)
    reached = np.cumsum(weight[order])
    assume(not np.isclose(reached, 0.9).any())
    assert found.cost_at_most == pytest.approx(100 * costs[order[reached > 0.9][0]], abs=1e-9)


def test_at_a_level_next_to_one_the_limit_is_the_dearest_draw():
    """Even where rounding leaves the weights' sum below such a level."""
    cost = np.random.default_rng(3).permutation(np.arange(7.0))
    level = np.nextafter(1.0, 0.0)
    assert np.cumsum(np.full(7, 1 / 7))[-1] < level
    gain = np.column_stack([cost, -np.ones(7)])  # ends below zero: the rule attacks at no gap
    found = rule_of(gain, np.array([0.0, 1.0]), np.array([0.0]), level)
    assert (found.gap_m, found.cost_at_most) == (np.inf, 600.0)


def test_a_rule_without_a_ball_has_no_cost():
    found = rule_of(np.array([[-1.0, 1.0]]), np.array([0.0, 1.0]), np.empty(0), 0.95)
    assert found.gap_m == pytest.approx(0.65)  # the share that says attack goes from 0 to 1
    assert np.isnan([found.cost, found.cost_at_most]).all()


def test_more_shots_settle_an_open_answer():
    rng = np.random.default_rng(1)
    gaps = np.linspace(0.0, 1.5, 20)
    error = rng.normal(0.0, 0.05, (2000, 1))
    gain = 0.05 * (gaps - 0.7) + error
    assert threshold_of(crossings(gain, gaps), 0.95).status == NOT_KNOWN
    times = 1.0 + shots_to_settle(gain, 0.95)
    later = 0.05 * (gaps - 0.7) + error / np.sqrt(1.1 * times)
    earlier = 0.05 * (gaps - 0.7) + error / np.sqrt(0.8 * times)
    assert threshold_of(crossings(later, gaps), 0.95).status == CROSSES
    assert threshold_of(crossings(earlier, gaps), 0.95).status == NOT_KNOWN
    assert shots_to_settle(error + 0.0 * gaps, 0.95) == np.inf


def test_how_much_of_an_answer_is_the_players_own():
    rng = np.random.default_rng(2)
    club = rng.normal(0.0, 0.3, 4000)
    deviation = rng.normal(0.1, 0.02, 4000)
    assert own_share(club + deviation, club, 0.04**2) == pytest.approx(0.75, abs=0.03)
    assert own_share(club + 3 * deviation, club, 0.04**2) == 0.0
    assert own_share(club + 0.1, club, 0.04**2) == 1.0
    assert [own_words(s) for s in (0.1, 0.5, 0.9, np.nan)] == [
        "mostly the club's so far",
        "half the player's own",
        "mostly the player's own",
        "",
    ]


# -- the mix of shots ------------------------------------------------------------------------


def test_a_situation_that_nobody_met_weighs_nothing(by_value):
    mix = by_value.posterior_.mix
    nowhere = np.zeros(len(mix.table), dtype=bool)
    np.testing.assert_array_equal(mix.weights(0, nowhere), 0.0)


# -- chances ---------------------------------------------------------------------------------

GAPS = np.array([0.1, 0.4, 0.7, 1.1])


@pytest.mark.parametrize("player", [-1, 2])
@pytest.mark.parametrize("choice", CHOICES)
def test_the_curve_of_a_mix_is_the_mean_of_the_chances(by_value, choice, player):
    """Ours bends the chance of the mean by a constant; shot by shot and draw by draw here."""
    posterior, fitted = by_value.posterior_, by_value.curves_[choice]
    mix, cell = posterior.mix, 2
    weight = mix.weights(CHOICES.index(choice))[player + 1]
    rows = np.flatnonzero((mix.cell == cell) & (weight > 0))
    side, volley = side_and_volley(mix.table.iloc[rows])
    words = fitted.columns.words(mix.table.iloc[rows])
    ours = posterior.win(player, cell, choice, GAPS)
    for g, gap in enumerate(GAPS):
        ball = np.full(len(rows), gap), side, volley, words
        eta = fitted.draws.common @ fitted.columns.common(*ball).T
        if player >= 0:
            eta = eta + fitted.draws.own[player] @ fitted.columns.own(*ball).T
            eta = eta + (by_value.lead_[player] + by_value.lead_draws_[:, player])[:, None]
        mean = expit(eta) @ weight[rows] + posterior.corrected(choice, np.array([gap]))[:, 0]
        assert ours[:, g].mean() == pytest.approx(mean.mean(), abs=0.003)
        assert ours[:, g].std() == pytest.approx(mean.std(), rel=0.1)


def test_a_predicted_chance_is_the_mean_of_its_draws(model):
    """But for the bend of the logistic curve between a mean and the mean of chances."""
    balls = model.used_[model.used_["player"] == "Birch"].head(200)
    draws = model.posterior_.of_own(model.players_.index("Birch"), balls)
    mean = model.posterior_.mean_of(balls.drop(columns="opponent"))
    np.testing.assert_allclose(draws.mean(axis=0), mean, atol=0.01)


def test_balls_of_strangers_and_without_side_contact_or_gap_are_left_out(model):
    balls = model.used_.head(5).copy()
    balls["player"] = balls["player"].astype(str)
    balls["side"], balls["family"] = balls["side"].astype(object), balls["family"].astype(object)
    balls.loc[0, "player"] = "Yew"
    balls.loc[1, "side"] = None
    balls.loc[2, "family"] = None
    balls.loc[3, "gap_m"] = np.nan
    rows = np.concatenate([rows for rows, _, _ in model.posterior_.of_shots(balls)])
    assert rows.tolist() == [4]


def test_a_ball_never_met_is_answered_as_the_cells_commonest(by_value):
    mix = by_value.posterior_.mix
    balls = mix.table.iloc[[0]].assign(gap_m=0.5).astype({"depth": object, "balance": object})
    odd = balls.assign(depth="nowhere", balance=None, opponent_place=None)
    met = mix.ball_of(odd)[0]
    cell = mix.table["side"].eq(balls["side"].iloc[0]) & mix.table["family"].eq(
        balls["family"].iloc[0]
    )
    n = pd.Series(mix.n.sum(axis=0)).groupby(mix.ball).sum()
    assert met == n[np.unique(mix.ball[cell.to_numpy()])].idxmax()


def test_a_ball_beyond_all_that_were_met_is_answered_too(by_value):
    """The last situation in the order of all is taken out of those that are known."""
    mix = copy(by_value.posterior_.mix)
    last = mix.table.iloc[[int(np.argmax(mix.ball))]]
    whole = mix.ball_of(last)[0]
    mix._balls = mix._balls[:-1]
    found = mix.ball_of(last)[0]
    assert whole == mix.ball.max()
    assert mix.cell[mix.ball == found][0] == mix.cell[mix.ball == whole][0]


def test_by_rally_what_a_players_shots_of_a_rally_share_counts_as_luck(by_rally, by_value):
    """The variance of own scores, summed by player and rally, over that of single shots."""
    used = by_rally.used_
    p = by_rally.posterior_.mean_of(used)
    won, rally = used["won"].to_numpy(dtype=float), used["rally_id"].astype(str)
    for choice, fitted in by_rally.curves_.items():
        mine = (used["choice"] == choice).to_numpy()
        residual = pd.Series(won[mine] - p[mine])
        sums = residual.groupby((used["player"].astype(str) + " " + rally)[mine].to_numpy()).sum()
        expected = (sums**2).sum() / (p * (1 - p))[mine].sum() / fitted.dispersion
        assert fitted.own_design_effect == pytest.approx(expected, rel=0.1)
    # several resets a rally share its result; by value each leaves a ball of its own
    assert by_rally.curves_["reset"].own_design_effect > 3.0
    assert by_value.curves_["reset"].own_design_effect == pytest.approx(1.0, abs=0.3)


def test_by_rally_who_never_attacks_has_the_clubs_curve_of_attacks(shots):
    """There is no own score of such a player that could be put down to luck."""
    model = TightnessModel(outcome="rally", strokes=False, draws=100)
    model.fit(shots, keep="player != 'Elm' or choice != 'attack'")
    assert model.curves_["attack"].own_design_effect > 1.0
    elm = model.players_.index("Elm")
    own, club = (model.posterior_.win(i, 0, "attack", np.array([0.3, 0.9])) for i in (elm, -1))
    assert np.isfinite(own).all()
    assert own.mean(axis=0) == pytest.approx(club.mean(axis=0), abs=0.03)


def test_own_scores_are_added_up_by_rally_and_player(by_rally, shots):
    modes = {
        choice: Mode(one.columns, *one.draws.mean, one.dispersion)
        for choice, one in by_rally.curves_.items()
    }
    fixed = (pd.Index(by_rally.players_), by_rally.strengths_, by_rally.families_)
    judge = Judge(None, "rally")
    scores = ScorePart(judge, *fixed, by_rally.situation_, modes)(shots)
    used = judge.usable(shots)[0]
    for choice, mode in modes.items():
        mine = used[(used["choice"] == choice).to_numpy()]
        who = pd.Index(by_rally.players_).get_indexer(mine["player"].astype(str))
        ball = (mine["gap_m"].to_numpy(), *side_and_volley(mine), mode.columns.words(mine))
        eta = mode.columns.common(*ball) @ mode.common
        eta += (mode.columns.own(*ball) * mode.own[who]).sum(axis=1)
        p = expit(eta + by_rally.strengths_.difference(mine))
        residual = pd.Series((mine["won"].to_numpy(dtype=float) - p) / mode.dispersion)
        sums = residual.groupby([mine["rally_id"].to_numpy(), who]).sum()
        assert scores.of_choice[choice][3] == pytest.approx((sums**2).sum(), rel=1e-6)


def test_of_one_draw_the_chance_of_a_mix_is_the_mean_over_its_balls(by_value):
    """A player who is much stronger than the opponents met, so that the curve is bent there."""
    one = copy(by_value)
    one.curves_ = {}
    for choice, curve in by_value.curves_.items():
        common, own = curve.draws.mean
        drawn = replace(curve.draws, common=common[None], own=own[:, None].astype(np.float32))
        one.curves_[choice] = replace(curve, draws=drawn)
    one.lead_ = np.array([1.4, 0.0, -1.4, 0.7])
    one.lead_draws_ = np.zeros((1, 4))
    one.corrections_ = by_value.corrections_[:1]
    posterior, gaps = Posterior(one), np.array([0.2, 0.6, 1.2])
    kinds = np.arange(len(posterior.mix.cell))
    for player, choice in ((-1, "attack"), (0, "attack"), (2, "reset")):
        weight = posterior._weights(choice, None, None)[player + 1] * (posterior.mix.cell == 0)
        each = [
            weight[k] * posterior.win(player, 0, choice, gaps, where=kinds == k)[0]
            for k in np.flatnonzero(weight > 0)
        ]
        mixed = posterior.win(player, 0, choice, gaps)[0]
        assert len(each) > 3
        assert mixed == pytest.approx(np.sum(each, axis=0) / weight.sum(), abs=1e-5)


def test_the_club_has_no_players_own_part_in_it(by_value):
    """Whatever the players' own coefficients are, the club's curve is that of the common ones."""
    other, gaps = copy(by_value), np.array([0.1, 0.5, 1.0])
    other.curves_ = {
        choice: replace(one, draws=replace(one.draws, own=one.draws.own + np.float32(3.0)))
        for choice, one in by_value.curves_.items()
    }
    for choice in CHOICES:
        club, moved = (Posterior(m).win(-1, 0, choice, gaps) for m in (by_value, other))
        np.testing.assert_array_equal(moved, club)
        one, two = (Posterior(m).win(0, 0, choice, gaps) for m in (by_value, other))
        assert (two > one).all()


@pytest.mark.parametrize(("own", "more"), [((2, 38), 60.0), ((38, 4), 10.5), ((0, 7), 35.0)])
def test_more_shots_are_asked_for_until_there_are_enough_of_the_rarer(by_value, own, more):
    """As often as it was played: 2 in 40 make 3 more in 60; one that never was counts as once."""
    ask = Asked({}, None, None)
    answer, share, shots = threshold_and_share(by_value.posterior_, 0, 0, ask, 0.95, own)
    assert (answer.status, shots) == (NOT_KNOWN, pytest.approx(more))
    assert np.isnan(share)


@pytest.mark.parametrize(("way", "chance"), [(-5.0, 0.0), (5.0, 1.0)])
def test_no_correction_makes_a_chance_of_an_own_shot_less_than_none(by_value, shots, way, chance):
    model = copy(by_value)
    model.corrections_ = by_value.corrections_ + np.array([way, 0.0, way, 0.0])
    mine = model.used_[model.used_["player"] == "Alder"].iloc[:40]
    moved = Posterior(model)
    assert (moved.of_own(0, mine) == chance).all()
    for choice in ("attack", "reset"):
        assert (moved.win(0, 0, choice, np.array([0.2, 0.9]), None) == chance).all()
