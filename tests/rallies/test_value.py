"""The value of a ball against plain loops, exact chains and other libraries."""

import zlib
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.interpolate import CubicSpline

from sidewall.errors import DataError, NotFittedError
from sidewall.features.parts import as_parts
from sidewall.rallies import value as module
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import (
    KNOTS_M,
    BallValue,
    ball_columns,
    gap_scale,
    outcomes,
    spline_bends,
)

#: Columns that say what kind of ball it is, and nothing of how it lies.
LEVELS = {
    *("serve", "contact not charted", "gap not charted"),
    *(f"{side} {family}" for side in ("forehand", "backhand") for family in ("ground", "volley")),
}
TRACES = (0.0, 0.5, 0.8, 1.0)


@pytest.fixture(scope="module")
def some(shots):
    """Four whole matches."""
    names = shots["match"].unique()[:4]
    return shots[shots["match"].isin(names)].reset_index(drop=True)


@pytest.fixture(scope="module")
def strengths(some):
    return Strengths().fit(some)


@pytest.fixture(scope="module")
def fitted(some, strengths):
    return BallValue(strengths).fit(some)


def decided_rallies(table):
    for _, rally in table[table["won"].notna()].groupby("rally_id", sort=False):
        yield rally


def server_view(rally, strengths, columns):
    """Columns as the server sees them (the opponent's ball counts against), and the result."""
    sign = np.array([1.0 if who == rally["player"].iloc[0] else -1.0 for who in rally["player"]])
    names = strengths.strength_
    lead = 0.25 * (names[rally["player"].iloc[0]] - names[rally["opponent"].iloc[0]])
    return sign, sign[:, None] * columns, rally["won"].iloc[0] - 0.5 - lead


def plain_sums(table, strengths, trace, every):
    """Textbook least-squares temporal differences with traces, shot by shot, by match."""
    m = every.shape[1]
    found = {}
    for rally in decided_rallies(table):
        _, phi, result = server_view(rally, strengths, every[rally.index.to_numpy()])
        A, b = found.setdefault(rally["match"].iloc[0], (np.zeros((m, m)), np.zeros(m)))
        z = np.zeros(m)
        for t in range(len(phi)):
            z = trace * z + phi[t]
            last = t == len(phi) - 1
            A += np.outer(z, phi[t] if last else phi[t] - phi[t + 1])
            b += z * (result if last else 0.0)
    return found


@pytest.mark.parametrize("k", range(4))
def test_temporal_differences_are_those_of_plain_loops(some, strengths, k):
    every, _ = ball_columns(some)
    plain = plain_sums(some, strengths, TRACES[k], every)
    ours = module._SumPart(strengths)(some)
    np.testing.assert_allclose(ours.A[:, k].sum(0), sum(A for A, _ in plain.values()), atol=1e-8)
    np.testing.assert_allclose(ours.b[:, k].sum(0), sum(b for _, b in plain.values()), atol=1e-8)
    # whole matches go to one fold each
    for fold in range(5):
        here = [A for name, (A, _) in plain.items() if zlib.crc32(str(name).encode()) % 5 == fold]
        np.testing.assert_allclose(
            ours.A[fold, k], sum(here, np.zeros(ours.A.shape[2:])), atol=1e-8
        )


@pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")
def test_trace_one_without_a_ridge_is_ordinary_least_squares(some, strengths, monkeypatch):
    monkeypatch.setattr(module, "_TRACES", (1.0,))
    monkeypatch.setattr(module, "_RIDGES", (0.0,))
    ours = BallValue(strengths).fit(some)
    table = some[some["won"].notna()]
    lead = 0.25 * strengths.difference(table)
    X = ball_columns(table)[0]
    plain = sm.OLS(table["won"].to_numpy() - 0.5 - lead, X).fit()
    np.testing.assert_allclose(X @ ours.weights_.to_numpy(), plain.fittedvalues, atol=1e-6)


def test_trace_nothing_on_states_is_the_alternating_chain(some):
    """Serve and four bands of gaps: the chance of winning by the chain's fundamental matrix."""
    bands = 1 + np.digitize(some["gap_m"].to_numpy(), [0.2, 0.5, 1.0])
    of_shot = np.where(some["stroke"] == "serve", 0, bands)
    # the striker's balls 0-4, the opponent's 5-9; absorbing: striker wins, loses
    moves, ends = np.zeros((10, 10)), np.zeros((10, 2))
    for rally in decided_rallies(some):
        at = of_shot[rally.index]
        for t, won in enumerate(rally["won"]):
            if t < len(at) - 1:
                moves[at[t], at[t + 1] + 5] += 1
                moves[at[t] + 5, at[t + 1]] += 1
            else:
                ends[at[t], 0 if won else 1] += 1
                ends[at[t] + 5, 1 if won else 0] += 1
    total = moves.sum(1) + ends.sum(1)
    P, R = moves / total[:, None], ends / total[:, None]
    exact = (np.linalg.inv(np.eye(10) - P) @ R)[:5, 0]

    even = Strengths()
    even.strength_ = pd.Series(0.0, index=sorted(some["player"].astype(str).unique()))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "ball_columns", lambda t: (np.eye(5)[of_shot[t.index]], []))
        sums = module._SumPart(even)(some)
    W = np.linalg.solve(sums.A[:, 0].sum(0), sums.b[:, 0].sum(0))
    np.testing.assert_allclose(0.5 + W, exact, atol=1e-10)
    # a value that does not change its sign between strikers would fail here
    assert exact.max() - exact.min() > 0.05


def test_the_choice_is_by_plain_held_out_error(some, strengths, fitted):
    every, _ = ball_columns(some)
    rows = some["won"].notna().to_numpy()
    y = some["won"].to_numpy() - 0.5 - 0.25 * strengths.difference(some)
    fold = np.array([zlib.crc32(str(m).encode()) % 5 for m in some["match"]])
    for trace, ridge in ((0.8, 30.0), (1.0, 3000.0)):
        plain = plain_sums(some, strengths, trace, every)
        loss = 0.0
        for f in np.unique(fold):
            rest = [m for m in plain if zlib.crc32(str(m).encode()) % 5 != f]
            S = every[rows & (fold != f)].T @ every[rows & (fold != f)]
            A = sum(plain[m][0] for m in rest) + BallValue._penalty(S, ridge)
            w = np.linalg.solve(A, sum(plain[m][1] for m in rest))
            here = rows & (fold == f)
            loss += ((y[here] - every[here] @ w) ** 2).sum()
        table = fitted.scores_.set_index(["trace", "ridge"])["squared_error"]
        assert table[trace, ridge] == pytest.approx(loss / rows.sum(), rel=1e-8)
    best = fitted.scores_.loc[fitted.scores_["squared_error"].idxmin()]
    assert (fitted.trace_, fitted.ridge_) == (best["trace"], best["ridge"])


def test_the_covariance_is_a_sandwich_over_rallies(some, strengths, fitted):
    every, _ = ball_columns(some)
    w = fitted.weights_.to_numpy()
    m = len(w)
    A, J, S = np.zeros((m, m)), np.zeros((m, m)), np.zeros((m, m))
    for rally in decided_rallies(some):
        _, phi, result = server_view(rally, strengths, every[rally.index.to_numpy()])
        z, score = np.zeros(m), np.zeros(m)
        for t in range(len(phi)):
            z = fitted.trace_ * z + phi[t]
            last = t == len(phi) - 1
            step = phi[t] if last else phi[t] - phi[t + 1]
            A += np.outer(z, step)
            S += np.outer(phi[t], phi[t])
            score += z * ((result if last else 0.0) - step @ w)
        J += np.outer(score, score)
    inverse = np.linalg.inv(A + BallValue._penalty(S, fitted.ridge_))
    np.testing.assert_allclose(
        fitted.covariance_, inverse @ J @ inverse.T, rtol=1e-6, atol=1e-8 * fitted.covariance_.max()
    )


def test_draws_have_the_covariance(fitted):
    draws = fitted.draws(20_000, np.random.default_rng(0))
    sd = np.sqrt(np.diag(fitted.covariance_))
    known = sd > 1e-6
    np.testing.assert_allclose(draws.std(axis=0)[known], sd[known], rtol=4 / np.sqrt(2 * 20_000))
    assert np.abs(draws.mean(axis=0)[known] / sd[known]).max() < 4.5 / np.sqrt(20_000)


def plain_columns(ball):
    """What is told of one ball, by name; all else is 0."""
    if ball["stroke"] == "serve":
        return {"serve": 1.0}
    found = {}
    known = not np.isnan(ball["gap_m"])
    gap = np.array([ball["gap_m"] if known else module.USUAL_M])
    h = gap_scale(gap)[0]
    side, family = (ball[name] if ball[name] == ball[name] else None for name in ("side", "family"))
    cell = f"{side} {family}" if side and family else None
    if cell is None:
        found["contact not charted"] = 1.0
    else:
        found |= {cell: 1.0, f"{cell}, gap": h}
    if not known:
        found["gap not charted"] = 1.0
    bends = (spline_bends(gap) - spline_bends(np.array([module.USUAL_M])))[0]
    for k, bend in enumerate(bends, start=1):
        found |= {f"bend {k}": bend, f"volley bend {k}": bend if family == "volley" else 0.0}
    if ball["depth"] in ("front", "back"):
        found[f"{ball['depth']}, gap"] = h
        if cell is not None:
            found[f"{ball['depth']}, {cell}"] = 1.0
    for word in (ball["opponent_place"], ball["balance"]):
        if word in ("in_front", "out_of_the_way", "stretched", "jammed"):
            found |= {word: 1.0, f"{word}, gap": h}
    across, along = (ball[f"opponent_{c}_m"] - ball[f"{c}_m"] for c in "xy")
    away = (np.hypot(across, along) - 3.0) / 1.5
    if not np.isnan(away):
        deep = (ball["opponent_y_m"] - 5.5) / 1.5
        found |= {"away": away, "away squared": away**2, "opponent deep": deep}
    return found


def test_the_columns_of_a_ball_are_those_of_a_plain_list(some):
    """Balls with blanks here and there, and serves that were charted as fully as a shot."""
    rng = np.random.default_rng(3)
    table = some.head(600).copy()
    for name in ("depth", "opponent_place", "balance"):  # every word, those of no player too
        words = table[name].cat.categories
        drawn = rng.integers(0, len(words), len(table))
        table[name] = pd.Categorical.from_codes(drawn, dtype=table[name].dtype)
    for name in ("side", "family", "gap_m", "depth", "opponent_place", "balance", "opponent_x_m"):
        table[name] = table[name].mask(rng.random(len(table)) < 0.15)
    serve = (table["stroke"] == "serve").to_numpy()
    for name in ("side", "family", "gap_m"):
        filled = table[name].to_numpy(dtype=object, copy=True)
        filled[serve] = table.loc[~serve, name].to_numpy(dtype=object)[: serve.sum()]
        table[name] = pd.Series(filled, table.index).astype(table[name].dtype)
    found, names = ball_columns(table)
    expected = pd.DataFrame([plain_columns(ball) for _, ball in table.iterrows()])
    assert set(expected.columns) <= set(names)
    expected = expected.reindex(columns=names, fill_value=0.0).fillna(0.0)
    np.testing.assert_allclose(found, expected, atol=1e-12)
    assert (np.abs(found).sum(axis=0) > 0).all()  # no column is there for nothing


def test_the_bends_span_the_natural_cubic_splines():
    """scipy's natural splines through the same knots: each is a mix of ours, and ours of them."""
    gaps = np.linspace(KNOTS_M[0], KNOTS_M[-1], 400)
    x = gap_scale(gaps)
    ours = np.column_stack([np.ones(400), x, spline_bends(gaps)])
    theirs = CubicSpline(gap_scale(KNOTS_M), np.eye(6), bc_type="natural")(x)
    for one, other in ((ours, theirs), (theirs, ours)):
        mix = np.linalg.lstsq(one, other, rcond=None)[0]
        np.testing.assert_allclose(one @ mix, other, atol=1e-9 * np.abs(other).max())
    assert np.linalg.matrix_rank(ours) == 6


@pytest.mark.parametrize("part", [slice(0, 50), slice(-50, None)])
def test_the_bends_are_straight_beyond_the_knots(part):
    scaled = np.linspace(gap_scale(0.0), gap_scale(3.2), 601)
    gaps = 0.25 * np.expm1(scaled + np.log1p(0.4 / 0.25))
    second = np.diff(spline_bends(gaps), 2, axis=0)[part]
    at = scaled[1:-1][part]
    outside = (at < gap_scale(KNOTS_M[0]) - 0.01) | (at > gap_scale(KNOTS_M[-1]) + 0.01)
    assert outside.any()
    np.testing.assert_allclose(second[outside], 0.0, atol=1e-12)


class InParts:
    """The matches of a table one by one."""

    def __init__(self, table):
        self.tables = [
            group.assign(rally_id=group["rally_id"] - group["rally_id"].min())
            for _, group in table.groupby("match", observed=True, sort=False)
        ]
        self.columns = list(table.columns)

    def each(self, function):
        return map(function, self.tables)


def test_a_log_in_parts_gives_the_same_value(some, fitted):
    parts = InParts(some)
    assert as_parts(parts) is parts
    ours = BallValue().fit(parts)
    assert (ours.trace_, ours.ridge_) == (fitted.trace_, fitted.ridge_)
    np.testing.assert_allclose(ours.weights_, fitted.weights_, rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(ours.covariance_, fitted.covariance_, rtol=1e-6, atol=1e-10)


def test_a_part_in_which_nothing_was_decided_adds_nothing(shots, some, fitted):
    other = shots[shots["match"] == shots["match"].unique()[4]].assign(won=np.nan)
    ours = BallValue().fit(InParts(pd.concat([some, other], ignore_index=True)))
    np.testing.assert_allclose(ours.weights_, fitted.weights_, rtol=1e-8, atol=1e-10)


def test_a_long_part_taken_in_pieces_is_the_whole(some, fitted, monkeypatch):
    monkeypatch.setattr(module, "_CHUNK", 500)
    ours = BallValue().fit(some)
    np.testing.assert_allclose(ours.weights_, fitted.weights_, rtol=1e-8, atol=1e-10)


# -- what a shot is judged by ----------------------------------------------------------------

HAND_MADE = [  # striker's result, shots
    ([1.0, 0.0, 1.0, 0.0, 1.0], 5),
    ([np.nan, np.nan, np.nan], 3),  # a let
    ([0.0], 1),
    ([0.0, 1.0], 2),
]


def hand_made():
    rows = [
        {"rally_id": r, "shot": k + 1, "shots_left": n - 1 - k, "won": won[k]}
        | {"match": "m1", "game": 1, "rally": r + 1}
        for r, (won, n) in enumerate(HAND_MADE)
        for k in range(n)
    ]
    table = pd.DataFrame(rows)
    return table.assign(W=np.linspace(-0.3, 0.4, len(table)))


@pytest.mark.parametrize("horizon", [1, 2, 4])
def test_outcomes_of_hand_made_rallies(horizon):
    table = hand_made()
    value = SimpleNamespace(advantage=lambda t, strengths, columns: t["W"].to_numpy())
    found = outcomes(table, value, horizon)
    row = 0
    for won, n in HAND_MADE:
        for k in range(n):
            later = k + horizon
            if np.isnan(won[k]):
                assert np.isnan(found.outcome[row])
                assert found.ball[row] == -1
            elif later >= n:
                assert found.outcome[row] == won[k]
                assert found.ball[row] == -1
            else:
                mine = horizon % 2 == 0
                W = table["W"][row + horizon]
                assert found.outcome[row] == pytest.approx(0.5 + W if mine else 0.5 - W)
                assert found.ball[row] == row + horizon
                assert found.sign[row] == (1.0 if mine else -1.0)
            row += 1


def test_by_rally_an_outcome_is_who_won():
    table = hand_made()
    found = outcomes(table, None, "rally")
    np.testing.assert_array_equal(found.outcome, table["won"])
    assert (found.ball == -1).all()


def test_after_one_shot_stands_what_the_opponent_does_not_have(some, fitted):
    win = fitted.predict(some)
    found = outcomes(some, fitted, 1).outcome
    goes_on = np.flatnonzero((some["shots_left"] > 0).to_numpy() & some["won"].notna().to_numpy())
    np.testing.assert_allclose(found[goes_on], 1.0 - win[goes_on + 1], atol=1e-12)


def test_without_strengths_a_ball_is_worth_the_same_to_all(some, fitted):
    lead = 0.25 * fitted.strengths_.difference(some)
    assert np.abs(lead).max() > 0
    plain = fitted.advantage(some, strengths=False)
    np.testing.assert_allclose(plain + lead, fitted.advantage(some), atol=1e-12)
    strangers = some.assign(player="Yew", opponent="Oak")
    np.testing.assert_allclose(plain, fitted.advantage(strangers), atol=1e-12)


def test_errors_of_values_are_the_spread_of_their_draws(some, fitted):
    balls = some.head(100)
    draws = fitted.draws(10_000, np.random.default_rng(2)) @ fitted.columns(balls).T
    np.testing.assert_allclose(
        fitted.errors(balls), draws.std(axis=0), rtol=4.5 / np.sqrt(2 * 10_000)
    )


def test_values_are_those_of_the_simulators_own_chain(shots, players):
    """Its exact chance with every shot, by linear algebra: on average over the shots that are
    played from such balls, what the ball is worth.

    Within every pair, so that what is judged is the ball: how well few rallies tell two
    players' strengths apart is left to the tests of strengths.
    """
    from sidewall.simulate import GAPS_M, PLAYED, Pair, World  # noqa: PLC0415

    ours = BallValue().fit(shots)
    known = shots["won"].notna() & shots["stroke"].isin(PLAYED) & shots["balance"].ne("jammed")
    names = {player.name: player for player in players}
    words = {"stroke": PLAYED, "side": ("forehand", "backhand"), "family": ("ground", "volley")}
    words |= {"depth": ("front", "middle", "back"), "balance": ("set", "stretched")}
    found, exact, middle = [], [], []
    predicted = 0.5 + ours.advantage(shots, strengths=False)
    for pair, balls in shots[known].groupby(["player", "opponent"], observed=True):
        chances = Pair(World(), *(names[str(name)] for name in pair)).chances(0)
        at = [pd.Index(w).get_indexer(balls[c].astype(str)) for c, w in words.items()]
        assert min(code.min() for code in at) >= 0
        curves = chances[tuple(at)]
        gaps = balls["gap_m"].to_numpy()
        chance = [np.interp(g, GAPS_M, curve) for g, curve in zip(gaps, curves, strict=True)]
        exact += list(chance - np.mean(chance))
        found += list(predicted[balls.index] - predicted[balls.index].mean())
        middle += [(np.mean(chance), predicted[balls.index].mean(), len(balls))]
    found, exact = np.array(found), np.array(exact)
    assert np.polyfit(found, exact, 1)[0] == pytest.approx(1.0, abs=0.3)
    true, ours_, n = np.transpose(middle)
    assert np.average(ours_, weights=n) == pytest.approx(np.average(true, weights=n), abs=0.02)
    tenth = np.argsort(np.argsort(found)) * 10 // len(found)
    by_tenth = [(found[tenth == k].mean(), exact[tenth == k].mean()) for k in range(10)]
    assert np.corrcoef(np.transpose(by_tenth))[0, 1] > 0.9


def test_levels_are_free_and_all_else_is_held_toward_nothing(some):
    columns, names = ball_columns(some)
    penalty = np.diag(BallValue._penalty(columns.T @ columns, 100.0))
    free = {name for name, held in zip(names, penalty, strict=True) if held < 1e-5}
    assert free == LEVELS
    held = penalty[[name not in LEVELS for name in names]]
    assert (held >= 100.0 * 1e-3).all()


def test_what_is_not_charted_counts_nothing(some, fitted):
    bare = some.head(200).drop(
        columns=["depth", "opponent_place", "balance", "x_m", "y_m", "opponent_x_m", "opponent_y_m"]
    )
    X, names = ball_columns(bare)
    told = [k for k, name in enumerate(names) if name.startswith(("front", "back,", "away"))]
    assert told
    assert (X[:, told] == 0).all()
    blank = some.head(200).assign(gap_m=np.nan)
    assert np.isfinite(ball_columns(blank)[0]).all()
    assert np.isfinite(fitted.predict(blank)).all()


def test_what_cannot_be_valued_is_said(some):
    with pytest.raises(DataError, match="no rally of the log was decided"):
        BallValue().fit(some.assign(won=np.nan))
    with pytest.raises(NotFittedError):
        BallValue().columns(some)
    with pytest.raises(DataError, match="next row is not the next ball"):
        BallValue().fit(some[some["shot"] > 1])


def test_one_match_holds_nothing_out_and_gets_the_firmest_ridge(some, fitted):
    """No error can be held out, so none is shown and nothing is chosen by it."""
    one = some[some["match"] == some["match"].iloc[0]]
    ours = BallValue().fit(one)
    assert ours.scores_["squared_error"].isna().all()
    assert ours.ridge_ == fitted.scores_["ridge"].max()
