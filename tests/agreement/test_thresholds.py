import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.agreement import simex, simex_thresholds, threshold_agreement
from sidewall.agreement.simex import SimexPath
from sidewall.agreement.thresholds import _gains
from sidewall.errors import DataError
from sidewall.simulate.charter import second_charter

GAP_SD_M = 0.15
KEYS = ["player", "side", "family"]


@pytest.fixture(scope="module")
def model():
    return sw.TightnessModel(outcome="rally", draws=200)


@pytest.fixture(scope="module")
def long_log():
    """So many shots that the error's effect stands out from its luck."""
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    return simulate.simulate_shots(players, [(0, 1)] * 40, rng=21)


@pytest.fixture(scope="module")
def noisy(long_log):
    return second_charter(long_log, miss=0, confuse=0, gap_sd_m=GAP_SD_M, seed=5)


@pytest.fixture(scope="module")
def corrected(noisy, model):
    return simex_thresholds(noisy, GAP_SD_M, model, lambdas=(1.0, 2.0), n=2, seed=2)


def test_what_was_charted_is_the_models_own_answer(noisy, corrected, model):
    own = sw.TightnessModel(outcome="rally", draws=200).fit(noisy).thresholds()
    none = corrected[corrected["extrapolation"] == "none"].reset_index(drop=True)
    assert none[[*KEYS, "n_attack", "n_reset"]].equals(own[[*KEYS, "n_attack", "n_reset"]])
    # normal draws at twelve gaps in place of the model's own draws
    known = own["status"].eq("crosses") & none["status"].eq("crosses")
    assert known.sum() >= 2
    off = (none["threshold_m"] - own["threshold_m"])[known].abs()
    assert (off < 0.25 * (own["high_m"] - own["low_m"])[known]).all()
    assert not hasattr(model, "posterior_"), "the model given is left as it was"


@pytest.mark.slow
def test_a_planted_error_of_the_gap_is_undone_in_part(long_log, noisy, model):
    """Against the same log charted without error: the curves' steepness moves back to it."""

    def steepness(found):
        values, _ = found
        return float((values[:, :, 4] - values[:, :, 1]).mean())  # 18 to 73 cm

    fits = {}
    for name, log in (("clean", long_log), ("noisy", noisy)):
        one = sw.TightnessModel(outcome="rally", draws=200).fit(log)
        fits[name] = steepness(_gains(one, one.players_, [np.linspace(0.0, 2.0, 12)] * 4))

    def fit(gap_m):
        one = sw.TightnessModel(outcome="rally", draws=200).fit(noisy.assign(gap_m=gap_m))
        return _gains(one, one.players_, [np.linspace(0.0, 2.0, 12)] * 4)

    path = simex(fit, noisy["gap_m"], GAP_SD_M, (1.0, 2.0), 2, 2, turned_back=True)
    assert fits["noisy"] < fits["clean"]
    # the quadratic's luck is more than its effect with two fits at each lambda
    assert steepness(path.at_no_error(1)) > fits["noisy"]


def test_one_seed_one_answer(match):
    model = sw.TightnessModel(outcome="rally", draws=200)
    two = [simex_thresholds(match, 0.1, model, lambdas=(1.0, 2.0), n=2, seed=4) for _ in range(2)]
    pd.testing.assert_frame_equal(*two)


def test_a_single_lambda_is_refused(match):
    with pytest.raises(DataError, match="two or more"):
        simex_thresholds(match, 0.1, lambdas=(1.0,))


@pytest.mark.parametrize("sd", [0.0, -0.1, np.nan])
def test_an_error_that_is_none(match, sd):
    model = sw.TightnessModel(outcome="rally", draws=200)
    with pytest.raises(DataError, match="standard deviation"):
        simex_thresholds(match, sd, model)


def test_lambdas_that_cannot_be_followed_back():
    def mean(x):
        return np.array([x.mean()]), np.eye(1)

    with pytest.raises(DataError, match="lambdas above 0"):
        simex(mean, np.ones(5), 1.0, lambdas=(0.0, 1.0))
    with pytest.raises(DataError, match="degree 2"):
        simex(mean, np.ones(5), 1.0, lambdas=(1.0,)).at_no_error(2)


def test_weights_read_a_polynomial_off_exactly():
    lambdas = np.array([0.0, 0.5, 1.0, 1.5, 2.0])
    path = SimexPath(lambdas, np.zeros((5, 2, 1)), np.zeros((5, 1, 1)))
    assert path.weights(2) @ (3.0 - 2.0 * lambdas + 0.7 * lambdas**2) == pytest.approx(5.7)
    assert path.weights(1) @ (3.0 - 2.0 * lambdas) == pytest.approx(5.0)


def test_the_interval_is_never_surer_than_as_charted(corrected):
    """A covariance that extrapolates below that at lambda 0 is kept at it."""
    path = SimexPath(
        np.array([0.0, 1.0, 2.0]),
        np.zeros((3, 2, 2)),
        np.stack([np.diag([v, 1.0 / v]) for v in (1.0, 3.0, 5.0)]),
    )
    _, covariance = path.at_no_error(1)
    assert np.linalg.eigvalsh(covariance - np.eye(2)).min() >= -1e-12
    assert covariance[1, 1] > 1.2


def test_two_charters_thresholds_stand_side_by_side(ladder, two_charters):
    first, second = two_charters
    model = sw.TightnessModel(draws=200)  # by rally four matches tell no threshold
    found = threshold_agreement(first, second, rest=ladder, model=model)
    assert sorted(found["player"].unique()) == sorted(first["player"].astype(str).unique())
    assert len(found) == 8
    both = found.dropna(subset=["threshold_m_first", "threshold_m_second"])
    np.testing.assert_allclose(
        both["difference_m"], both["threshold_m_second"] - both["threshold_m_first"]
    )
    # one match of four charted twice moves an answer by much less than its interval
    assert both["share_of_interval"].max() < 1.0
    assert (found["n_attack_first"] != found["n_attack_second"]).any()


def test_a_log_against_itself_differs_by_nothing(ladder, match):
    model = sw.TightnessModel(draws=200)
    found = threshold_agreement(match, match, rest=ladder, model=model)
    assert found["same_answer"].all()
    assert (found["difference_m"].dropna() == 0).all()
    own = sw.TightnessModel(draws=200).fit(ladder).thresholds()
    both = found.merge(own, on=KEYS)
    assert both["threshold_m"].notna().any()
    np.testing.assert_allclose(both["threshold_m_first"], both["threshold_m"], atol=1e-4)


def test_other_matches_are_refused(ladder, match):
    with pytest.raises(DataError, match=r"one of the two only.*m02"):
        threshold_agreement(match, ladder[ladder["match"].isin(["m01", "m02"])])
