import numpy as np
import pytest
from scipy.special import logit

import sidewall as sw
from sidewall import simulate
from sidewall.progress.measures import _fit, change_columns, own_change


@pytest.fixture(scope="module")
def fitted(joined):
    shots, _, after = joined
    model = sw.TightnessModel(draws=200).fit(shots)
    late = model.used_["match"].astype(str).isin(set(after.values())).to_numpy()
    return model, late, sw.shot_features(shots)


def one_level(y, rally):
    """One column about an even chance, as binary outcomes."""
    n = len(y)
    return _fit(y, np.full(n, 0.5), np.ones((n, 1)), rally, 1.0, np.zeros((n, 0)))


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


def test_wins_without_fault_stay_finite():
    found = one_level(np.ones(20), np.arange(20))
    assert np.isfinite(found.deviation).all()
    assert 1.0 < found.deviation[0] < 10.0


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
        print(choice, change, truth["Rowan", choice], error)
        assert abs(change - truth["Rowan", choice]) < 3.0 * error + 0.5 * truth["Rowan", choice]
        assert change > 2.0 * error
