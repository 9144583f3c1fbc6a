"""Does something carry over? Against statsmodels, in parts, and in worlds that hide it or not."""

import numpy as np
import pytest
import statsmodels.api as sm
from negative_controls import shuffled
from scipy.stats import chi2

import sidewall as sw
from sidewall import simulate
from sidewall.models.carried import Carried, CarriedSums
from sidewall.rallies.value import BallValue, outcomes

NAMES = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"]


def log_of(world, seed, matches=10):
    rng = np.random.default_rng(seed)
    players = simulate.draw_players(NAMES, rng, 1.0, world)
    schedule = simulate.round_robin(len(NAMES), matches)
    return sw.shot_features(simulate.simulate_shots(players, schedule, rng, world))


def sums_of(table, value):
    return CarriedSums.of(table, value, value.columns(table))


@pytest.fixture(scope="module")
def hidden():
    return log_of(simulate.World(carry_over=0.9, chart_balance=False), 3)


@pytest.fixture(scope="module")
def value(hidden):
    return BallValue().fit(hidden)


def test_the_score_test_is_that_of_a_robust_regression(hidden, value):
    """Residuals of the shot before on the ball, one regressor at a time, shots one by one."""
    some = hidden[hidden["match"].isin(hidden["match"].unique()[:4])].reset_index(drop=True)
    missed = outcomes(some, value).outcome - value.predict(some)
    balls = value.columns(some)
    words = ["gap_m", "choice", "side", "family"]
    told = some[words].notna().all(axis=1) & some["won"].notna()
    gap, choice, number = some["gap_m"].tolist(), some["choice"].tolist(), some["shot"].tolist()
    g, d = [], []
    for at in range(1, len(some)):
        if number[at] > 1 and told[at] and told[at - 1]:
            h = np.log1p(gap[at - 1] / 0.25) - np.log1p(0.4 / 0.25)
            attack = float(choice[at - 1] == "attack")
            g.append([*balls[at], h, attack, attack * h])
            d.append(missed[at])
    g, d = np.array(g), np.array(d)
    ball, asked = g[:, :-3], g[:, -3:]
    left = np.column_stack([sm.OLS(a, ball).fit().resid for a in asked.T])
    score = left.T @ d
    expected = chi2.sf(score @ np.linalg.solve((left * d[:, None] ** 2).T @ left, score), 3)
    found = Carried(sums_of(some, value))
    assert found.n_shots_ == len(d)
    assert found.p_value_ == pytest.approx(expected, rel=1e-6)


def test_parts_add_up(hidden, value):
    cut = [hidden[(hidden["match"].astype("category").cat.codes % 3 == k)] for k in range(3)]
    whole = sums_of(hidden, value)
    parts = CarriedSums.add_up(sums_of(part.reset_index(drop=True), value) for part in cut)
    for name in ("gg", "gd", "squares", "n_shots"):
        np.testing.assert_allclose(getattr(parts, name), getattr(whole, name), atol=1e-7)


def test_a_hidden_carry_over_is_named_and_a_plain_game_is_not(hidden):
    model = sw.TightnessModel(draws=50).fit(hidden)
    assert model.carried_.speaks
    assert any("carries over" in note and "chart balance" in note for note in model.notes_)
    plain = sw.TightnessModel(draws=50).fit(log_of(simulate.World(), 4))
    assert not plain.carried_.speaks
    assert plain.carried_.words() == ""


def test_shuffled_results_carry_nothing_over():
    """Nothing tells who wins: a p-value under 0.05 comes in 5 shuffles of 100."""
    rng, alarms = np.random.default_rng(8), 0
    log = log_of(simulate.World(), 9, 3)
    for _ in range(20):
        shots = sw.shot_features(shuffled(log, rng))
        found = Carried(sums_of(shots, BallValue().fit(shots)))
        alarms += found.p_value_ < 0.05
    assert alarms <= 5  # the binomial's 999th in 1000


def test_by_rally_there_is_no_value_to_ask(hidden):
    model = sw.TightnessModel(outcome="rally", draws=50).fit(hidden)
    assert not hasattr(model, "carried_")


def test_a_log_without_a_charted_shot_before_says_nothing(hidden, value):
    serves = hidden[hidden["shot"] == 1].assign(shots_left=0)
    found = Carried(sums_of(serves.reset_index(drop=True), value))
    assert (found.n_shots_, found.p_value_, found.speaks) == (0, 1.0, False)


@pytest.mark.parametrize("seed", [231, 232])
def test_sums_of_a_hard_log_shot_by_shot(hard_log, seed):
    """Blanks in the ball or in the shot before, lets, and rallies of one shot."""
    table = hard_log(seed, 80)
    value = BallValue().fit(table)
    balls, worth = value.columns(table), 0.5 + value.advantage(table)
    shots = table.to_dict("records")
    told = table[["gap_m", "choice", "side", "family"]].notna().all(axis=1).tolist()
    gg = gd = squares = 0.0
    n = 0
    for k, shot in enumerate(shots):
        if shot["shot"] == 1 or shot["won"] != shot["won"] or not (told[k] and told[k - 1]):
            continue
        before = shots[k - 1]
        h = np.log1p(before["gap_m"] / 0.25) - np.log1p(0.4 / 0.25)
        attack = float(before["choice"] == "attack")
        g = np.array([*balls[k], h, attack, attack * h])
        after = 1 - worth[k + 1] if shot["shots_left"] else shot["won"]
        d = after - worth[k]
        gg, gd, squares = gg + np.outer(g, g), gd + g * d, squares + np.outer(g, g) * d * d
        n += 1
    found = sums_of(table, value)
    np.testing.assert_allclose(found.gg, gg, atol=1e-9)
    np.testing.assert_allclose(found.gd, gd, atol=1e-9)
    np.testing.assert_allclose(found.squares, squares, atol=1e-9)
    assert found.n_shots == n > 20


@pytest.mark.parametrize("p_value", [0.00099, 0.001])
def test_what_carries_over_is_named_below_one_in_a_thousand(hidden, value, p_value):
    one = Carried(sums_of(hidden, value))
    one.p_value_ = p_value
    assert one.speaks == bool(one.words()) == (p_value < 0.001)
