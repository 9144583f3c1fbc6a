import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom

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


def hard_counts(seed, players=4, s=3, k=6):
    """Small counts; a player with nothing, a state of nobody and one of a single player."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 6, (players, s + 2, k)) * rng.integers(0, 2, (players, s + 2, k))
    counts[:, :, -1] = 0  # how no rally ended
    counts[0] = 0
    counts[:, s] = 0
    counts[:-1, s + 1] = 0
    counts[-1, s + 1, 0] = 3
    return counts.astype(float)


def plain_rows(counts, alpha, kappa):
    """Expected and pooled rows, a player, state and outcome at a time."""
    players, s, k = counts.shape
    ladder, own, expect = np.zeros((s, k)), np.zeros(counts.shape), np.zeros(counts.shape)
    for i in range(s):
        n = sum(counts[p, i, j] for p in range(players) for j in range(k))
        for j in range(k):
            ladder[i, j] = sum(counts[p, i, j] for p in range(players)) / n if n else 0.0
    for p in range(players):
        ratio = []
        for j in range(k):
            seen = sum(counts[p, i, j] for i in range(s))
            due = sum(sum(counts[p, i]) * ladder[i, j] for i in range(s))
            ratio.append((seen + kappa[j]) / (due + kappa[j]))
        for i in range(s):
            tilted = [ladder[i, j] * ratio[j] for j in range(k)]
            if sum(tilted):
                expect[p, i] = [x / sum(tilted) for x in tilted]
                raw = [counts[p, i, j] + alpha[i] * expect[p, i, j] for j in range(k)]
                own[p, i] = [x / sum(raw) for x in raw]
    return ladder, expect, own


@pytest.mark.parametrize("seed", range(31, 37))
def test_pooled_rows_by_plain_loops(seed):
    counts = hard_counts(seed)
    rng = np.random.default_rng(seed)
    alpha, kappa = rng.uniform(1, 40, 5), rng.uniform(1, 40, 6)
    ladder, _, own = plain_rows(counts, alpha, kappa)
    np.testing.assert_allclose(ladder_rows(counts), ladder, rtol=1e-12)
    np.testing.assert_allclose(Pooling(alpha, kappa).rows(counts), own, rtol=1e-12)
    both = np.stack([counts, counts[::-1] + 1])
    np.testing.assert_allclose(ladder_rows(both)[0], ladder, rtol=1e-12)
    np.testing.assert_allclose(Pooling(alpha, kappa).rows(both)[0], own, rtol=1e-12)
    again = plain_rows(both[1], alpha, kappa)[2]
    np.testing.assert_allclose(Pooling(alpha, kappa).rows(both)[1], again, rtol=1e-12)


def urn(alpha, counts, mean):
    """Log chance of a sequence with these counts, a shot at a time out of a growing urn."""
    found = 0.0
    for row, share in zip(counts, mean, strict=True):
        drawn = 0
        for n, m in zip(row, share, strict=True):
            for already in range(int(n)):
                found += np.log((alpha * m + already) / (alpha + drawn))
                drawn += 1
    return found


def gamma_poisson(kappa, seen, expected):
    met = [(o, e) for o, e in zip(seen, expected, strict=True) if e > 0]
    return sum(nbinom.logpmf(o, kappa, kappa / (kappa + e)) for o, e in met)


@pytest.mark.parametrize("seed", range(41, 45))
def test_strengths_of_both_priors_are_the_likeliest_of_a_fine_grid(seed):
    """Likelihoods of an urn and of negative binomial counts; a million where nothing tells.

    The search ends within 1e-5 of a log strength, whose slope is at most the number of shots.
    """
    counts = hard_counts(seed)
    near = 1e-5 * counts.sum()
    found = Pooling.fit(counts)
    grid = np.geomspace(1, 1e6, 121)
    ladder, expect, _ = plain_rows(counts, found.alpha, found.kappa)
    for j in range(counts.shape[2]):
        seen = counts[:, :, j].sum(axis=1)
        due = counts.sum(axis=2) @ ladder[:, j]
        if (due > 0).sum() < 2:
            assert found.kappa[j] == 1e6
            continue
        best = max(gamma_poisson(at, seen, due) for at in grid)
        assert gamma_poisson(found.kappa[j], seen, due) >= best - near
        assert 1 <= found.kappa[j] <= 1e6
    for i in range(counts.shape[1]):
        mine, mean = counts[:, i], expect[:, i]
        if (mine.sum(axis=1) > 0).sum() < 2:
            assert found.alpha[i] == 1e6
            continue
        for at in grid[::30]:
            assert log_marginal(at, mine, mean) == pytest.approx(urn(at, mine, mean), abs=1e-8)
        best = max(urn(at, mine, mean) for at in grid)
        assert urn(found.alpha[i], mine, mean) >= best - near
        assert 1 <= found.alpha[i] <= 1e6


def test_two_players_are_enough_to_tell_a_strength_by_and_one_is_not():
    """Two who share nothing get the least; a third of whom nothing is known changes neither."""
    counts, mean = np.array([[30.0, 0], [0, 30]]), np.full((2, 2), 0.5)
    assert row_strength(counts, mean) == pytest.approx(1.0, rel=1e-3)
    assert row_strength(np.array([[30.0, 0], [0, 1]]), mean) == pytest.approx(1.0, rel=1e-3)
    assert row_strength(counts[[0, 0]] * [[1], [0]], mean) == 1e6
    more = np.zeros((3, 2)), np.full((3, 2), 0.5)
    more[0][1:] = counts
    assert row_strength(*more) == row_strength(counts, mean)
    seen, due = np.array([40.0, 0.0]), np.array([10.0, 10.0])
    assert ratio_strength(seen, due) == pytest.approx(1.0, rel=1e-3)
    assert ratio_strength(seen, np.array([10.0, 0.0])) == 1e6
    assert ratio_strength(np.append(0, seen), np.append(0, due)) == ratio_strength(seen, due)


def test_draws_are_gammas_made_into_rows():
    """Of means alone in place of gammas, each draw is the pooled rows: what is drawn, and how."""
    counts = hard_counts(47)
    rng = np.random.default_rng(3)
    pooling = Pooling(rng.uniform(1, 40, 5), rng.uniform(1, 40, 6))

    class Means:
        shapes = ()

        def standard_gamma(self, shape):
            self.shapes += (np.shape(shape),)
            return np.array(shape, dtype=float)

    means = Means()
    found = pooling.draw(counts, 2, means)
    np.testing.assert_allclose(found, [pooling.rows(counts)] * 2, rtol=1e-12)
    # ladders of all draws and ratios of all draws first, then every draw's own rows
    assert means.shapes == ((2, 5, 6), (2, 4, 6), (4, 5, 6), (4, 5, 6))
