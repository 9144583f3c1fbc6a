import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.rallies.intervals import (
    RallyBootstrap,
    _without_loops,
    deviation,
    rally_weights,
)


@pytest.fixture(scope="module")
def boot(chain):
    rng = np.random.default_rng(4)
    return RallyBootstrap(chain.moves(), chain.pooling_, 40, rng)


def test_every_match_keeps_its_number_of_rallies():
    match = np.repeat([0, 1, 2], [5, 9, 2])
    weights = rally_weights(match, 30, np.random.default_rng(0))
    for m, n in ((0, 5), (1, 9), (2, 2)):
        np.testing.assert_array_equal(weights[:, match == m].sum(axis=1), n)


def test_intervals_hold_the_estimate_and_narrow_with_the_level(chain):
    wide, narrow = (chain.state_values(draws=200, level=level) for level in (0.99, 0.5))
    often = wide["n_shots"] > 50
    assert (wide["win_probability_low"] <= narrow["win_probability_low"] + 1e-9)[often].all()
    assert (wide["win_probability_high"] >= narrow["win_probability_high"] - 1e-9)[often].all()
    inside = (wide["win_probability_low"] <= wide["win_probability"]) & (
        wide["win_probability"] <= wide["win_probability_high"]
    )
    assert inside[often].all()


def test_states_whose_way_out_was_not_drawn_are_emptied():
    counts = np.zeros((2, 2, 5, 8))
    counts[:, :, 0, 0] = 3  # only ever back to itself
    counts[:, 0, 1, 2] = counts[:, 1, 2, 1] = 1  # to one another, by either player
    counts[:, :, 3, 5] = 2
    counts[:, :, 3, 0] = 4  # may get lost there, and may not
    counts[1, 0, 2, 3] = 1  # a way out, in the second draw alone
    kept = _without_loops(counts)
    np.testing.assert_array_equal(kept[:, :, 3:], counts[:, :, 3:])
    np.testing.assert_array_equal(kept[:, :, 0], 0.0)
    np.testing.assert_array_equal(kept[0, :, 1:3], 0.0)
    np.testing.assert_array_equal(kept[1, :, 1:3], counts[1, :, 1:3])


def test_two_balls_that_lead_to_one_another_where_the_next_is_unknown(shots):
    """In one rally alone is there a way out of either, and few draws hold it."""
    some = shots[shots["rally_id"] < 60]
    first, second = some[(some["shot"] == 1) & (some["rally_length"] >= 6)].index[:2]
    names = pd.Series("other", some.index, dtype=object)
    names.loc[first : first + 3] = ["left", "right", "left", None]
    names.loc[second : second + 3] = ["left", "other", "right", "other"]
    table = some.assign(ball=pd.Categorical(names, ["left", "right", "other"]))
    chain = sw.RallyChain(lambda balls: balls["ball"]).fit(table)
    assert chain.notes_ == []
    found = chain.state_values(draws=50)
    assert np.isfinite(found.to_numpy()).all()
    assert (found["expected_shots_low"] >= 1.0).all()


@pytest.mark.filterwarnings("error")
def test_a_deviation_leaves_missing_values_apart_and_says_nothing_of_one():
    draws = np.random.default_rng(1).normal(5.0, 2.0, (50, 4))
    draws[:10, 1] = np.nan
    draws[1:, 2] = np.nan
    draws[:, 3] = np.nan
    found = deviation(draws)
    assert found[0] == pytest.approx(np.std(draws[:, 0], ddof=1))
    assert found[1] == pytest.approx(np.std(draws[10:, 1], ddof=1))
    assert np.isnan(found[2:]).all()
