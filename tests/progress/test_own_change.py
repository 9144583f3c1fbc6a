import numpy as np
import pytest
from scipy.special import logit

import sidewall as sw
from sidewall import simulate
from sidewall.progress.own_change import _fit, own_change


@pytest.fixture(scope="module")
def fitted(joined):
    shots, _, after = joined
    model = sw.TightnessModel(draws=200).fit(shots)
    late = model.used_["match"].astype(str).isin(set(after.values())).to_numpy()
    return model, late, sw.shot_features(shots)


def test_a_change_of_level_is_found_without_shrinkage():
    """One column, independent rows: the maximum likelihood answer and its error."""
    rng = np.random.default_rng(5)
    y = (rng.random(4000) < 0.7).astype(float)
    ones = np.ones((4000, 1))
    found = _fit(
        y, np.zeros(4000), ones, np.ones(4000), np.zeros(4000), np.arange(4000), 0.0,
        np.zeros(1), [],
    )  # fmt: skip
    p = y.mean()
    assert found.effects[0] == pytest.approx(np.log(p / (1 - p)), abs=2e-4)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(
        1 / np.sqrt(4000 * p * (1 - p)), rel=0.02
    )


def test_rallies_of_like_shots_know_less():
    rng = np.random.default_rng(6)
    y = np.repeat(rng.random(500) < 0.5, 8).astype(float)
    arguments = (y, np.zeros(4000), np.ones((4000, 1)), np.ones(4000), np.zeros(4000))
    alone = _fit(*arguments, np.arange(4000), 0.0, np.zeros(1), [])
    rallies = _fit(*arguments, np.repeat(np.arange(500), 8), 0.0, np.zeros(1), [])
    assert rallies.covariance[0, 0] == pytest.approx(8 * alone.covariance[0, 0], rel=0.05)


def test_wins_without_fault_stay_finite():
    found = _fit(
        np.ones(20), np.zeros(20), np.ones((20, 1)), np.ones(20), np.zeros(20), np.arange(20), 0.05,
        np.zeros(1), [],
    )  # fmt: skip
    assert np.isfinite(found.effects).all()
    assert 1.0 < found.effects[0] < 10.0


def test_level_lies_between_the_periods(fitted):
    model, after, table = fitted
    found = own_change(model, "Rowan", after, table)
    level = model.coefficients_[model.players_.index("Rowan")].ravel()
    # information shares add up: half the way is the level where both periods weigh alike
    gap = np.linalg.norm((found.before + found.after) / 2 - level)
    assert gap < 0.5 * np.linalg.norm(found.after - found.before)


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
    k = 1 + model.transform_.n_columns
    for player in model.players_:
        found = own_change(model, player, after, table)
        for c, choice in enumerate(("attack", "reset")):
            step = np.zeros((len(model.cells_), 2, k))
            step[:, c] = np.r_[1.0, model.transform_.basis([0.5])[0]] / len(model.cells_)
            step = step.ravel()
            error = np.sqrt(step @ found.change_covariance @ step)
            assert 0.02 < error < 0.4
            change = step @ (found.after - found.before)
            assert abs(change - truth[player, choice]) < 3.0 * error
            if player == "Rowan":
                # one chain for both periods would leave the reset where it was
                assert change > 0.5 * truth[player, choice]
