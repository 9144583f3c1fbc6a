"""By how much a player is stronger than the opponents met, shot by shot.

The curves themselves are tested where they are read: tests/models/test_tightness.py and others.
"""

import numpy as np
import pytest

import sidewall as sw
from sidewall.models.fitting import leads


@pytest.fixture(scope="module")
def model(shots):
    return sw.TightnessModel(draws=50, strokes=False).fit(shots)


def of_shots(model, strength):
    """Own strength less the opponent's, a mean over a player's usable shots one by one."""
    by_name = dict(zip(model.strengths_.strength_.index.astype(str), strength, strict=True))
    used = model.used_
    lead = used["player"].astype(str).map(by_name) - used["opponent"].astype(str).map(by_name)
    return lead.groupby(used["player"].astype(str)).mean().loc[model.players_].to_numpy()


def test_a_lead_is_own_strength_less_that_of_the_opponents_met(model):
    expected = of_shots(model, model.strengths_.strength_)
    assert np.ptp(expected) > 1e-6  # or there is nothing to tell
    np.testing.assert_allclose(model.lead_, expected, atol=1e-12)


def test_a_lead_moves_with_the_strengths_that_are_drawn(model):
    off = np.random.default_rng(1).normal(0.0, 0.2, (3, len(model.strengths_.strength_)))
    _, moved = leads(model.counted_, model.strengths_, 3, off)
    for one, draw in zip(moved, off, strict=True):
        np.testing.assert_allclose(one, of_shots(model, draw), atol=1e-12)


def test_without_draws_the_lead_is_sure(model):
    _, moved = leads(model.counted_, model.strengths_, 4, None)
    np.testing.assert_array_equal(moved, np.zeros((4, len(model.players_))))
