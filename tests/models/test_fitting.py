"""By how much a player is stronger than the opponents met, shot by shot.

The curves themselves are tested where they are read: tests/models/test_tightness.py and others.
"""

import numpy as np
import pytest

import sidewall as sw
from sidewall.models import fitting
from sidewall.models.fitting import RoughCurve, leads


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


def test_the_curve_is_bounded_at_the_same_log_odds_on_both_sides(model, monkeypatch):
    """Kind by kind: a chance of 1 in 404 at the least and 403 in 404 at the most."""
    counted = model.counted_.of_choice("attack")
    columns = model.curves_["attack"].columns
    player = np.searchsorted(model.counted_.playing, counted.player)
    players = len(model.counted_.playing)
    curve = RoughCurve(columns, counted, player, np.zeros(len(player)), players)
    rng = np.random.default_rng(2)
    common = rng.normal(0.0, 1.0, len(curve.common))
    own = rng.normal(0.0, 3.0, curve.own.shape)
    curve.common, curve.own = common, own
    one = curve._eta()
    kind = counted.kind
    plain = [curve.X[k] @ common + curve.Z[k] @ own[i] for k, i in zip(kind, player, strict=True)]
    assert min(plain) < -6.0 < 6.0 < max(plain)
    np.testing.assert_allclose(one, np.clip(plain, -6.0, 6.0), atol=1e-9)
    curve.common, curve.own = -common, -own
    np.testing.assert_allclose(curve._eta(), -one, atol=1e-9)
    monkeypatch.setattr(fitting, "_CHUNK", 7)
    np.testing.assert_allclose(curve._eta(), -one, atol=1e-9)
