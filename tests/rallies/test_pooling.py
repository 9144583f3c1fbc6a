import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.rallies.pooling import (
    Pooling,
    ladder_rows,
    log_marginal,
    ratio_strength,
    row_strength,
)


def simulated_rows(alpha, players=200, shots=300, seed=0):
    rng = np.random.default_rng(seed)
    mean = np.tile([0.5, 0.3, 0.15, 0.05], (players, 1))
    rows = np.stack([rng.dirichlet(alpha * m) for m in mean])
    return np.stack([rng.multinomial(shots, row) for row in rows]).astype(float), mean


@pytest.mark.parametrize("alpha", [10.0, 80.0])
def test_row_strength_is_recovered(alpha):
    """Of 200 players with four outcomes: a variance of 600 degrees of freedom, and 300 shots."""
    error = np.sqrt(2 / 600) * (1 + alpha / 300)
    assert row_strength(*simulated_rows(alpha)) == pytest.approx(alpha, rel=4 * error)


def test_row_strength_maximises_the_marginal_likelihood():
    counts, mean = simulated_rows(30.0, players=20)
    best = row_strength(counts, mean)
    top = log_marginal(best, counts, mean)
    assert top >= max(log_marginal(best * f, counts, mean) for f in (0.8, 0.95, 1.05, 1.25))


@pytest.mark.parametrize("kappa", [5.0, 60.0])
def test_ratio_strength_is_recovered(kappa):
    rng = np.random.default_rng(2)
    expected = rng.uniform(50, 150, 2000)
    seen = rng.poisson(expected * rng.gamma(kappa, 1 / kappa, 2000))
    assert ratio_strength(seen, expected) == pytest.approx(kappa, rel=0.15)


def test_players_alike_are_pooled_altogether():
    rng = np.random.default_rng(1)
    counts = rng.multinomial(300, [0.5, 0.3, 0.2], 50).astype(float)
    # what differs beyond chance is at most four standard errors of 100 degrees of freedom
    strength = row_strength(counts, np.tile([0.5, 0.3, 0.2], (50, 1)))
    assert 300 / strength < 4 * np.sqrt(2 / 100)
    assert row_strength(counts[:1], np.array([[0.5, 0.3, 0.2]])) == 1e6


def ladder(seed, strength=0.0, shots=400, players=8):
    """Counts in three states with five outcomes; stronger players see more of outcome 3."""
    rng = np.random.default_rng(seed)
    rows = rng.dirichlet(np.ones(5) * 4, 3)
    ratio = np.exp(strength * rng.standard_normal(players))
    tilted = np.repeat(rows[None], players, axis=0)
    tilted[:, :, 3] *= ratio[:, None]
    tilted /= tilted.sum(axis=-1, keepdims=True)
    counts = np.array([[rng.multinomial(shots, row) for row in player] for player in tilted])
    return counts.astype(float), tilted


def test_a_players_strength_shows_in_every_row():
    """Of twenty ladders, since pooling may be worse in one."""
    errors = []
    for seed in range(20):
        counts, truth = ladder(seed, strength=0.5, shots=60)
        rows = Pooling.fit(counts).rows(counts)
        own = counts / counts.sum(axis=-1, keepdims=True)
        alone = np.broadcast_to(ladder_rows(counts), rows.shape)
        errors.append([np.abs(guess - truth)[:, :, 3].mean() for guess in (rows, own, alone)])
    error = np.mean(errors, axis=0)
    assert error[0] < 0.9 * min(error[1:])


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.floats(1, 1e4), st.floats(1, 1e4))
def test_rows_add_to_one(seed, alpha, kappa):
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 9, (3, 2, 5)).astype(float)
    counts[0, :, 0] += 1
    rows = Pooling(np.full(2, alpha), np.full(5, kappa)).rows(counts)
    np.testing.assert_allclose(rows.sum(axis=-1), 1.0)
    assert (rows[:, ladder_rows(counts) == 0] == 0).all()


def test_a_million_shots_of_ones_own_outweigh_the_ladder():
    counts, truth = ladder(5, strength=0.3, shots=1_000_000)
    rows = Pooling(np.full(3, 500.0), np.full(5, 50.0)).rows(counts)
    np.testing.assert_allclose(rows, truth, atol=0.003)


def test_a_state_nobody_met_has_no_row():
    counts = np.zeros((2, 2, 5))
    counts[:, 0, 3] = 4
    rows = Pooling(np.ones(2), np.ones(5)).rows(counts)
    np.testing.assert_array_equal(rows[:, 1], 0.0)


def test_draws_are_centred_on_the_pooled_rows():
    counts, _ = ladder(6, strength=0.2, shots=300, players=5)
    pooling = Pooling(np.full(3, 100.0), np.full(5, 40.0))
    draws = pooling.draw(counts, 3000, np.random.default_rng(2))
    np.testing.assert_allclose(draws.mean(axis=0), pooling.rows(counts), atol=0.006)
    np.testing.assert_allclose(draws.sum(axis=-1), 1.0)
