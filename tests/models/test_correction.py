"""What the value misses: against clustered least squares and a brute-force posterior."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import multivariate_normal

from sidewall.models.correction import Correction, MissedSums
from sidewall.numbers import signed
from sidewall.rallies.value import gap_scale


def used_shots(seed, contrast=0.0, slope=0.0, alike=0.0, rallies=400):
    """Usable shots whose results lie above their outcomes by planted amounts."""
    rng = np.random.default_rng(seed)
    length = rng.integers(1, 9, rallies)
    rally = np.repeat(np.arange(rallies), length)
    n = len(rally)
    gap = np.exp(rng.normal(np.log(0.4), 0.7, n))
    attack = rng.random(n) < 0.3
    h = gap_scale(gap)
    luck = rng.normal(0.0, 0.3, rallies)[rally]
    missed = alike + attack * (contrast + slope * h) + luck + rng.normal(0.0, 0.2, n)
    return pd.DataFrame(
        {
            "won": 0.5 + missed,
            "outcome": 0.5,
            "choice": np.where(attack, "attack", "reset"),
            "gap_m": gap,
            "rally_id": rally,
        }
    )


def clustered_ols(used):
    attack = (used["choice"] == "attack").to_numpy(float)
    h = gap_scale(used["gap_m"])
    X = np.column_stack([np.ones(len(used)), h, attack, attack * h])
    return sm.OLS(used["won"] - used["outcome"], X).fit(
        cov_type="cluster",
        cov_kwds={"groups": used["rally_id"], "use_correction": False},
        use_t=False,
    )


def test_contrast_interval_and_p_value_are_those_of_clustered_least_squares():
    used = used_shots(0, contrast=0.02)
    ours, plain = Correction(MissedSums.of(used)), clustered_ols(used)
    assert ours.contrast_ == pytest.approx(plain.params.iloc[2], rel=1e-9)
    low, high = plain.conf_int().iloc[2]
    assert ours.low_ == pytest.approx(low, rel=1e-7)
    assert ours.high_ == pytest.approx(high, rel=1e-7)
    test = plain.wald_test(np.eye(4)[2:], scalar=True)
    assert ours.p_value_ == pytest.approx(float(test.pvalue), rel=1e-5)
    assert ours.n_shots_ == len(used)
    assert ours.n_rallies_ == 400
    # shots of a rally share their luck: independent errors would be too small
    alone = sm.OLS(plain.model.endog, plain.model.exog).fit()
    assert plain.bse.iloc[0] > 1.3 * alone.bse[0]


def test_parts_add_up():
    used = used_shots(1)
    parts = [used[used["rally_id"] % 3 == k] for k in range(3)]
    one, two = MissedSums.of(used), MissedSums.add_up(MissedSums.of(part) for part in parts)
    for name in ("gg", "ge", "squares", "n_shots", "n_rallies"):
        np.testing.assert_allclose(getattr(two, name), getattr(one, name), rtol=1e-12)


def posterior_by_brute_force(used, rng, n=400_000):
    """Weigh draws of the prior, its spread drawn too, by the normal likelihood."""
    plain = clustered_ols(used)
    spread = np.abs(rng.normal(0.0, 0.03, n))
    theta = rng.normal(size=(n, 4)) * np.column_stack([np.full((n, 2), 0.1), spread, spread])
    left = theta - plain.params.to_numpy()
    log_weight = -0.5 * (left @ np.linalg.inv(plain.cov_params().to_numpy()) * left).sum(1)
    w = np.exp(log_weight - log_weight.max())
    w /= w.sum()
    mean = w @ theta
    sd = np.sqrt(w @ (theta - mean) ** 2)
    return mean, sd, 1.0 / (w**2).sum()


@pytest.mark.parametrize(("contrast", "slope"), [(0.0, 0.0), (0.06, -0.03)])
def test_draws_are_those_of_the_integrated_prior(contrast, slope):
    used = used_shots(2, contrast, slope, alike=0.03)
    mean, sd, effective = posterior_by_brute_force(used, np.random.default_rng(3))
    assert effective > 1000
    draws = Correction(MissedSums.of(used)).draws(4000, np.random.default_rng(4))
    theta = np.column_stack([draws[:, :2], draws[:, 2:] - draws[:, :2]])
    # independent draws on one side, as many as count on the other; spreads on a grid of 5 in 1000
    error = sd * np.sqrt(1 / 4000 + 1 / effective)
    assert (np.abs(theta.mean(axis=0) - mean) / error).max() < 4.0
    np.testing.assert_allclose(theta.std(axis=0), sd, rtol=0.1)


def test_attacks_undervalued_are_raised_and_overvalued_lowered():
    for sign in (1.0, -1.0):
        found = Correction(MissedSums.of(used_shots(5, contrast=sign * 0.1)))
        draws = found.draws(500, np.random.default_rng(0))
        attack_less_reset = draws[:, 2] - draws[:, 0]
        assert np.quantile(sign * attack_less_reset, 0.05) > 0
        assert sign * found.contrast_ > 0.05
        assert found.speaks
        assert ("too little" if sign > 0 else "too much") in found.words()


def test_words_hold_the_numbers():
    found = Correction(MissedSums.of(used_shots(5, contrast=0.1)))
    words = found.words()
    assert f"{100 * found.contrast_:.1f} rallies in 100 too little" in words
    assert f"{signed(100 * found.low_)} to {signed(100 * found.high_)}" in words
    assert f"{found.n_shots_:,} shots, {found.n_rallies_:,} rallies" in words


def test_the_guard_is_silent_where_nothing_is_missed():
    """At its rate: 100 logs without a contrast, an alarm in 5 of 100."""
    alarms = [Correction(MissedSums.of(used_shots(k))).speaks for k in range(100, 200)]
    assert sum(alarms) <= 12  # the binomial's 999th in 1000
    quiet = Correction(MissedSums.of(used_shots(100 + alarms.index(False))))
    assert quiet.words() == ""


def test_what_is_not_there_costs_little():
    """A log that shows no contrast: the draws keep it nearer to 0 than the estimate's error."""
    found = Correction(MissedSums.of(used_shots(6)))
    draws = found.draws(2000, np.random.default_rng(0))
    error = (found.high_ - found.low_) / (2 * 1.96)
    assert (draws[:, 2] - draws[:, 0]).std() < error


@pytest.mark.parametrize("seed", range(3))
def test_sums_of_hard_shots_one_by_one(seed):
    """Few rallies in any order of numbers, one with a single choice; scores at any estimate."""
    used = used_shots(seed, 0.05, 0.02, 0.03, rallies=9).sample(frac=1.0, random_state=seed)
    used["rally_id"] = [(7, 3, 99, 4, 1, 2, 50, 8, 0)[k] for k in used["rally_id"]]
    found, rows = MissedSums.of(used), {}
    gg, ge = np.zeros((4, 4)), np.zeros(4)
    estimate = np.array([0.1, -0.2, 0.3, 0.05])
    for shot in used.to_dict("records"):
        h = np.log1p(shot["gap_m"] / 0.25) - np.log1p(0.4 / 0.25)
        g = np.array([0, 0, 1, h] if shot["choice"] == "attack" else [1, h, 0, 0])
        missed = shot["won"] - shot["outcome"]
        gg, ge = gg + np.outer(g, g), ge + g * missed
        mine = rows.setdefault(shot["rally_id"], [np.zeros(4), np.zeros(4)])
        mine[0] = mine[0] + g * missed
        mine[1] = mine[1] + g * (missed - g @ estimate)
    np.testing.assert_allclose(found.gg, gg, atol=1e-12)
    np.testing.assert_allclose(found.ge, ge, atol=1e-12)
    assert (found.n_shots, found.n_rallies) == (len(used), 9)
    np.testing.assert_allclose(
        found.scores(np.zeros(4)), sum(np.outer(a, a) for a, _ in rows.values()), atol=1e-12
    )
    np.testing.assert_allclose(
        found.scores(estimate), sum(np.outer(b, b) for _, b in rows.values()), atol=1e-12
    )


class Given:
    """Draws what it is told to."""

    def __init__(self, which, normal):
        self.which, self.normal, self.p = which, normal, None

    def choice(self, size, count, p):
        self.p = p
        return np.full(count, self.which)

    def standard_normal(self, size):
        return self.normal


@pytest.mark.parametrize("seed", range(3))
def test_every_spread_of_the_prior_weighs_and_draws_as_a_normal(seed):
    """Thirty-one spreads from 0 to 15 in 100 rallies, half-normal; each a normal posterior."""
    one = Correction(MissedSums.of(used_shots(seed, 0.06, 0.03, 0.02, rallies=60)))
    to = np.array([[1.0, 0, 0, 0], [0, 1, 0, 0], [1, 0, 1, 0], [0, 1, 0, 1]])  # reset, then attack
    spreads = [0.005 * k for k in range(31)]
    chances = []
    for which, spread in enumerate(spreads):
        prior = np.diag(np.array([0.1, 0.1, max(spread, 1e-4), max(spread, 1e-4)]) ** 2)
        chance = multivariate_normal(np.zeros(4), one._covariance + prior).pdf(one._estimate)
        chances.append(chance * np.exp(-((spread / 0.03) ** 2) / 2))
        if which % 10:
            continue
        gain = prior @ np.linalg.inv(prior + one._covariance)
        mean = to @ gain @ one._estimate
        rng = Given(which, np.zeros(4))
        np.testing.assert_allclose(one.draws(2, rng), [mean] * 2, rtol=1e-6, atol=1e-9)
        off = np.array([one.draws(1, Given(which, axis))[0] - mean for axis in np.eye(4)])
        V = to @ (prior - gain @ prior) @ to.T
        np.testing.assert_allclose(off.T @ off, V, rtol=1e-4, atol=1e-9)
    np.testing.assert_allclose(rng.p, np.array(chances) / sum(chances), rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("p_value", [0.0499, 0.05])
def test_the_guard_speaks_below_one_in_twenty(p_value):
    one = Correction(MissedSums.of(used_shots(0)))
    one.p_value_ = p_value
    assert one.speaks == (p_value < 0.05)
    assert bool(one.words()) == one.speaks
