"""Strengths of players against exact posteriors, another library, and rules of the game."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from sidewall.errors import DataError
from sidewall.rallies import strengths as module
from sidewall.rallies.strengths import RallyCounts, Strengths, _Pairs


def rallies(counts):
    """A feature table, one shot a rally, from (server, receiver, won, lost) rows."""
    rows = []
    for server, receiver, won, lost in counts:
        rows += [(server, receiver, 1.0)] * won + [(server, receiver, 0.0)] * lost
    table = pd.DataFrame(rows, columns=["player", "opponent", "won"])
    return table.assign(rally_id=np.arange(len(table)), is_server=True)


TWO = [("Alder", "Birch", 34, 21), ("Birch", "Alder", 22, 30)]
THREE = [*TWO, ("Alder", "Cedar", 31, 9), ("Cedar", "Birch", 18, 26)]


def random_counts(players, rng, sd=0.3):
    """Rallies of a round robin of players whose strengths are drawn."""
    names = [f"P{k:02d}" for k in range(players)]
    s = rng.normal(0.0, sd, players)
    rows = []
    for i in range(players):
        for j in range(players):
            if i != j:
                won = int(rng.binomial(25, expit(0.1 + s[i] - s[j])))
                rows.append((names[i], names[j], won, 25 - won))
    return rows, s


def exact_posterior(counts, prior_scale):
    """Means and standard deviations of the strengths and of the serve, by a grid over all.

    The mean of all strengths is apart from what rallies tell; the others lie on a grid, with
    the serve (flat) and the spread (half-normal).
    """
    names = sorted({name for row in counts for name in row[:2]})
    size = len(names)
    axis = np.linspace(-1.4, 1.4, 57)
    c = np.linspace(-0.8, 1.0, 31)
    grids = np.meshgrid(*[axis] * (size - 1), c, indexing="ij")
    s = [*grids[:-1], -sum(grids[:-1])]  # less their mean, so that they add up to 0
    loglik = np.zeros_like(grids[0])
    for server, receiver, won, lost in counts:
        p = expit(grids[-1] + s[names.index(server)] - s[names.index(receiver)])
        loglik += won * np.log(p) + lost * np.log1p(-p)
    squares = sum(one**2 for one in s)
    likelihood = np.exp(loglik - loglik.max())
    total, first, second, serve = 0.0, np.zeros(size), np.zeros(size), 0.0
    for spread in np.linspace(0.01, 1.2, 120):
        density = np.exp(-0.5 * squares / spread**2)
        density /= density.sum()  # so that a spread finer than the grid weighs no more
        weight = likelihood * density * np.exp(-0.5 * (spread / prior_scale) ** 2)
        w = weight.sum()
        total += w
        first += [(weight * one).sum() for one in s]
        second += [(weight * one**2).sum() + w * spread**2 / size for one in s]
        serve += (weight * grids[-1]).sum()
    mean = first / total
    return names, mean, np.sqrt(second / total - mean**2), serve / total


@pytest.mark.parametrize("counts", [TWO, THREE])
@pytest.mark.parametrize("prior_scale", [0.1, 0.5])
def test_the_posterior_is_that_of_a_grid_over_everything(counts, prior_scale):
    """Ours takes the likelihood as normal about its mode: close, with 40 rallies a pair."""
    names, mean, sd, serve = exact_posterior(counts, prior_scale)
    fit = Strengths(prior_scale).fit_counts(RallyCounts.of(rallies(counts)))
    assert list(fit.strength_.index) == names
    np.testing.assert_allclose(fit.strength_, mean, atol=0.1 * sd.min())
    np.testing.assert_allclose(fit.se_, sd, rtol=0.1)
    assert fit.serve_ == pytest.approx(serve, abs=0.02)


@pytest.mark.parametrize("spread", [0.05, 0.3, 1.0])
def test_at_a_fixed_spread_it_is_a_ridge_regression(spread):
    """scikit-learn's logistic regression with the penalty s's / (2 spread^2)."""
    table = rallies(THREE)
    names = sorted({*table["player"], *table["opponent"]})
    X = np.zeros((len(table), len(names)))
    X[np.arange(len(table)), [names.index(n) for n in table["player"]]] = 1.0
    X[np.arange(len(table)), [names.index(n) for n in table["opponent"]]] = -1.0
    ridge = LogisticRegression(C=spread**2, tol=1e-10, max_iter=10_000).fit(X, table["won"])
    c, s, covariance, _ = pairs_of(THREE).fit(spread)
    np.testing.assert_allclose(s, ridge.coef_[0], atol=1e-5)
    assert c == pytest.approx(ridge.intercept_[0], abs=1e-5)
    # and the covariance is the inverse of the penalised information
    D = np.column_stack([X, np.ones(len(X))])
    p = ridge.predict_proba(X)[:, 1]
    H = (D.T * (p * (1 - p))) @ D + np.diag([spread**-2.0] * 3 + [0.0])
    np.testing.assert_allclose(covariance, np.linalg.inv(H)[:3, :3], rtol=1e-4)


def pairs_of(counts):
    rows = RallyCounts.of(rallies(counts)).table
    names = pd.Index(sorted({*rows["player"], *rows["opponent"]}))
    at = (names.get_indexer(rows[who]) for who in ("player", "opponent"))
    return _Pairs(*at, rows["n"].to_numpy(), rows["won"].to_numpy(), len(names))


def test_the_way_of_many_players_is_the_exact_one_at_the_same_spread():
    counts, _ = random_counts(30, np.random.default_rng(2))
    pairs = pairs_of(counts)
    for spread in (0.05, 0.3):
        exact, cheap = pairs.fit(spread), pairs.fit(spread, exact=False)
        assert cheap[0] == pytest.approx(exact[0], abs=1e-7)
        np.testing.assert_allclose(cheap[1], exact[1], atol=1e-7)
        # the others' errors are left out: one part in the number of players, and once more
        # for the others' share of the rallies
        np.testing.assert_allclose(cheap[2], np.diag(exact[2]), rtol=2 / 30)


def test_many_players_get_the_strengths_that_few_would(monkeypatch):
    counts, truth = random_counts(30, np.random.default_rng(3))
    counted = RallyCounts.of(rallies(counts))
    exact = Strengths().fit_counts(counted)
    monkeypatch.setattr(module, "_MOST_EXACT", 0)
    cheap = Strengths().fit_counts(counted)
    # two ways to the same spread, known to about one in sqrt(2 x 30) of itself
    assert cheap.spread_ == pytest.approx(exact.spread_, rel=0.13)
    assert np.abs(cheap.strength_ - exact.strength_).max() < 0.25 * exact.se_.min()
    np.testing.assert_allclose(cheap.se_, exact.se_, rtol=0.2)
    assert np.corrcoef(truth, exact.strength_)[0, 1] > 0.9


def test_many_players_are_never_held_pair_against_pair(monkeypatch):
    """A federation's players would fill the memory: as many numbers as players are kept."""

    def refuse(self, w, spread):
        raise AssertionError("a matrix of players by players")

    counts, _ = random_counts(30, np.random.default_rng(3))
    monkeypatch.setattr(module, "_MOST_EXACT", 30)
    assert Strengths().fit_counts(RallyCounts.of(rallies(counts))).covariance_.shape == (30, 30)
    monkeypatch.setattr(module, "_MOST_EXACT", 29)
    monkeypatch.setattr(_Pairs, "_hessian", refuse)
    many = Strengths().fit_counts(RallyCounts.of(rallies(counts)))
    assert many.covariance_.shape == (30,)
    drawn = many.draws(4000, np.random.default_rng(4))
    np.testing.assert_allclose(drawn.std(axis=0), many.se_, rtol=5 / np.sqrt(2 * 4000))


def test_ones_win_is_the_others_loss():
    table = rallies(THREE)
    fit = Strengths().fit(table_of_shots(table))
    ask = table.iloc[[0, 60, 110]]
    swapped = ask.rename(columns={"player": "opponent", "opponent": "player"})
    np.testing.assert_allclose(fit.difference(ask), -fit.difference(swapped), atol=1e-15)
    assert fit.strength_.sum() == pytest.approx(0.0, abs=3 * 0.5e-9)  # three, of nine digits
    assert fit.n_rallies_ == len(table)


def table_of_shots(rallies_table):
    """Marks that make the rows pass for a feature table."""
    return rallies_table.assign(family="ground", depth="back", lane="left", wall="left")


def test_a_let_counts_for_nobody():
    table = rallies(THREE)
    lets = table.head(25).assign(won=np.nan, rally_id=np.arange(len(table), len(table) + 25))
    with_lets = pd.concat([lets, table], ignore_index=True)
    one, two = (Strengths().fit_counts(RallyCounts.of(t)) for t in (table, with_lets))
    pd.testing.assert_series_equal(one.strength_, two.strength_)
    with pytest.raises(DataError, match="no rally of the log was decided"):
        Strengths().fit_counts(RallyCounts.of(lets))


def test_winners_for_losers_turns_the_order_round():
    table = rallies(THREE)
    right, wrong = (
        Strengths(0.5).fit_counts(RallyCounts.of(t))
        for t in (table, table.assign(won=1.0 - table["won"]))
    )
    np.testing.assert_allclose(right.strength_, -wrong.strength_, atol=1e-9)
    # Alder won most of the rallies against either other
    assert right.strength_.idxmax() == "Alder"
    assert wrong.strength_.idxmin() == "Alder"
    assert right.strength_["Alder"] - right.strength_["Birch"] > right.se_.max()


def test_after_one_match_each_the_intervals_hold_players_of_a_club():
    """Strengths spread by 0.2: an 11 to 8 between two of them is usual.

    A club's ten intervals hang together, so the clubs are the independent units: 60 of them,
    and three of their standard errors below 95 in 100. The tighter prior is the control.
    """
    rng = np.random.default_rng(11)
    clubs = [random_match_each(10, rng, 0.2) for _ in range(60)]
    held = {scale: np.array([share_held(*c, scale) for c in clubs]) for scale in (0.1, 0.3)}
    error = {scale: shares.std(ddof=1) / np.sqrt(60) for scale, shares in held.items()}
    assert held[0.3].mean() > 0.95 - 3.0 * error[0.3]
    assert held[0.1].mean() < 0.95 - 3.0 * error[0.1]
    assert Strengths().prior_scale == 0.3


def random_match_each(players, rng, sd):
    """Rallies of one match a player, 44 rallies long, and the strengths behind them."""
    s = rng.normal(0.0, sd, players)
    rows = []
    for i in range(0, players, 2):
        for one, two in ((i, i + 1), (i + 1, i)):
            won = int(rng.binomial(22, expit(s[one] - s[two])))
            rows.append((f"P{one}", f"P{two}", won, 22 - won))
    return rows, s


def share_held(counts, true, prior_scale):
    """Share of the 95% intervals of strengths, less their mean, that hold the truth."""
    fit = Strengths(prior_scale).fit_counts(RallyCounts.of(rallies(counts)))
    size = len(true)
    less_mean = np.eye(size) - 1.0 / size
    error = np.sqrt(np.diag(less_mean @ fit.covariance_ @ less_mean))
    off = less_mean @ (fit.strength_.to_numpy() - true)
    return np.mean(np.abs(off) <= 1.96 * error)


def test_the_spread_of_many_players_is_where_its_prior_and_the_strengths_balance():
    """Slope nought of ``-P log s - Q / 2 s^2 - s^2 / 2 A^2``, Q the expected sum of squares."""
    rng = np.random.default_rng(23)
    players, prior_scale = 60, 0.1
    one, two = np.triu_indices(players, k=1)
    strength = rng.normal(0.0, 0.4, players)
    n = np.full(len(one), 12.0)
    won = rng.binomial(12, expit(strength[one] - strength[two])).astype(float)
    pairs = _Pairs(one, two, n, won, players)
    spread = pairs.spread(prior_scale)
    _, s, variance, _ = pairs.fit(spread, exact=False)
    Q = (s**2 + variance).sum()
    slopes = -players / spread, Q / spread**3, -spread / prior_scale**2
    assert sum(slopes) == pytest.approx(0.0, abs=0.01 * players / spread)
    assert slopes[2] < -0.05 * players / spread  # the prior is felt


# -- everything at once, by a plain list of rallies ------------------------------------------


def plain_rallies(table):
    """Server, receiver and whether the server won, of the decided rallies of a feature table."""
    found = {}
    for shot in table.to_dict("records"):
        if shot["won"] == shot["won"] and shot["shot"] == 1:
            found[shot["rally_id"]] = shot["player"], shot["opponent"], shot["won"]
    return list(found.values())


def plain_mode(rallies_, names, spread):
    """Newton's way to the mode on a design with a row a rally; serve last."""
    D = np.zeros((len(rallies_), len(names) + 1))
    for k, (server, receiver, _) in enumerate(rallies_):
        D[k, names.index(server)], D[k, names.index(receiver)], D[k, -1] = 1.0, -1.0, 1.0
    y = np.array([won for *_, won in rallies_])
    prior = np.diag([spread**-2.0] * len(names) + [0.0])
    at = np.zeros(len(names) + 1)
    for _ in range(60):
        p = 1.0 / (1.0 + np.exp(-D @ at))
        H = (D.T * (p * (1.0 - p))) @ D + prior
        at = at + np.linalg.solve(H, D.T @ (y - p) - prior @ at)
    p = 1.0 / (1.0 + np.exp(-D @ at))
    return at, (D.T * (p * (1.0 - p))) @ D + prior, np.where(y == 1.0, p, 1.0 - p)


@pytest.mark.parametrize("seed", range(111, 115))
@pytest.mark.parametrize("prior_scale", [0.3, 0.8])
def test_the_whole_of_a_hard_log_by_one_rally_at_a_time(hard_log, seed, prior_scale):
    """Mean, covariance, serve, spread: spreads of a log grid, weighed by Laplace's evidence."""
    table = hard_log(seed, 60)
    rows = plain_rallies(table)
    names = sorted({name for *pair, _ in rows for name in pair})
    assert "Alder" not in names
    fit = Strengths(prior_scale).fit(table)
    spreads = [0.01 * 150 ** (k / 23) for k in range(24)]
    weights, modes, covariances, serves = [], [], [], []
    for spread in spreads:
        at, H, chance = plain_mode(rows, names, spread)
        evidence = np.log(chance).sum() - at[:-1] @ at[:-1] / (2 * spread**2)
        evidence += -len(names) * np.log(spread) - np.log(np.linalg.det(H)) / 2
        # half-normal, and a step of the grid is as wide as the spread
        weights.append(np.exp(evidence) * np.exp(-((spread / prior_scale) ** 2) / 2) * spread)
        modes.append(at[:-1])
        covariances.append(np.linalg.inv(H)[:-1, :-1])
        serves.append(at[-1])
    weights = np.array(weights) / sum(weights)
    mean = sum(w * m for w, m in zip(weights, modes, strict=True))
    covariance = sum(
        w * (C + np.outer(m - mean, m - mean))
        for w, C, m in zip(weights, covariances, modes, strict=True)
    )
    index = pd.Index(names, name="player")
    expected = pd.Series(mean, index, name="strength")
    pd.testing.assert_series_equal(fit.strength_, expected, rtol=0, atol=2e-8)
    se = pd.Series(np.sqrt(np.diag(covariance)), index, name="se")
    pd.testing.assert_series_equal(fit.se_, se, rtol=1e-6)
    np.testing.assert_allclose(fit.covariance_, covariance, rtol=0, atol=2e-8)
    assert fit.serve_ == pytest.approx(weights @ serves, abs=1e-8)
    assert fit.spread_ == pytest.approx(weights @ spreads, rel=1e-8)
    assert fit.n_rallies_ == len(rows)
    lead = [
        sum(
            sign * (dict(expected).get(shot[who], 0.0))
            for who, sign in (("player", 1), ("opponent", -1))
        )
        for shot in table.to_dict("records")
    ]
    np.testing.assert_allclose(fit.difference(table), lead, atol=4e-8)
    if prior_scale == 0.3:
        pd.testing.assert_series_equal(Strengths().fit(table).strength_, fit.strength_)


@pytest.mark.parametrize("seed", range(111, 115))
def test_rallies_counted_by_server_and_receiver(hard_log, seed):
    """From any shots of a rally, in any order, in parts; rallies of one shot, and no lets."""
    table = hard_log(seed)
    rows = {}
    for server, receiver, won in plain_rallies(table):
        n, of = rows.get((server, receiver), (0.0, 0.0))
        rows[server, receiver] = n + 1.0, of + won
    expected = pd.DataFrame(
        [(*pair, *rows[pair]) for pair in sorted(rows)], columns=["player", "opponent", "n", "won"]
    )
    last = table[table["shots_left"] == 0].iloc[::-1]
    for found in (RallyCounts.of(table), RallyCounts.of(last)):
        pd.testing.assert_frame_equal(found.table.astype(expected.dtypes), expected)
    parts = [RallyCounts.of(part) for _, part in table.groupby("match", observed=True)]
    pd.testing.assert_frame_equal(
        RallyCounts.add_up(parts[::-1]).table.astype(expected.dtypes), expected
    )


@pytest.mark.parametrize("seed", range(5))
def test_the_way_of_many_players_by_its_own_formulas(seed):
    """At one spread: the same mode, each strength's error by its own rallies, its likelihood."""
    rng = np.random.default_rng(seed)
    names = [f"P{k}" for k in range(6)]
    rows = [(*rng.choice(names, 2, replace=False), float(rng.integers(2))) for _ in range(80)]
    table = pd.DataFrame(rows, columns=["player", "opponent", "won"])
    counted = RallyCounts.of(table.assign(rally_id=np.arange(80), is_server=True)).table
    one, two = (pd.Index(names).get_indexer(counted[who]) for who in ("player", "opponent"))
    pairs = _Pairs(one, two, counted["n"].to_numpy(), counted["won"].to_numpy(), 6)
    for spread in (0.1, 0.6):
        at, H, chance = plain_mode(rows, names, spread)
        loglik = np.log(chance).sum() - at[:-1] @ at[:-1] / (2 * spread**2) - 6 * np.log(spread)
        c, s, variance, found = pairs.fit(spread, exact=False)
        assert c == pytest.approx(at[-1], abs=1e-8)
        np.testing.assert_allclose(s, at[:-1], atol=1e-8)
        np.testing.assert_allclose(variance, 1 / np.diag(H)[:-1] + spread**2 / 6, rtol=1e-7)
        assert found == pytest.approx(loglik, abs=1e-7)
        assert pairs.fit(spread)[3] == pytest.approx(loglik - np.linalg.slogdet(H)[1] / 2, abs=1e-7)
        right = rng.standard_normal(7)
        w = counted["n"].to_numpy() / 5
        np.testing.assert_allclose(
            pairs._solve(w, spread, right, exact=False),
            pairs._solve(w, spread, right, exact=True),
            rtol=1e-7,
            atol=1e-7,
        )


def test_a_spread_of_nothing_is_held_at_the_least_that_is_averaged_over():
    one, two = np.array([0, 1, 2]), np.array([1, 2, 0])
    pairs = _Pairs(one, two, np.full(3, 2e5), np.full(3, 1e5), 3)
    assert pairs.spread(1e-4) == 0.01


@pytest.mark.parametrize("players", [2, 5])
def test_draws_have_the_covariance_of_the_strengths(players):
    rng = np.random.default_rng(players)
    root = rng.standard_normal((players, players - 1))  # one direction without any error
    fit = Strengths()
    fit.strength_ = pd.Series(np.arange(players) * 1.0, [f"P{k}" for k in range(players)])
    fit.covariance_ = root @ root.T

    class Units:
        def standard_normal(self, shape):
            return np.eye(*shape)

    drawn = fit.draws(players, Units())
    np.testing.assert_allclose(drawn.T @ drawn, fit.covariance_, atol=1e-9)
    fit.covariance_ = np.arange(players) * 4.0
    np.testing.assert_allclose(fit.draws(players, Units()), np.diag(np.sqrt(fit.covariance_)))
