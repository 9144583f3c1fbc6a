"""The value of a ball against plain loops, exact chains and other libraries."""

import zlib
from decimal import Decimal

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


# -- hard logs: everything at once -----------------------------------------------------------

RIDGES = (3.0, 30.0, 300.0, 3000.0)


def rounded(values, digits=8):
    """To so many digits after the first of the largest number, in decimals."""
    most = max(abs(float(x)) for x in np.ravel(values))
    step = Decimal(1).scaleb(int(f"{most:e}".split("e")[1]) - digits)
    said = [Decimal(float(x)).quantize(step) for x in np.ravel(values)]
    return np.array([float(x) for x in said]).reshape(np.shape(values))


def plain_penalty(S, names, ridge):
    """Next to nothing on levels; on the others by their squares beside the commonest column's."""
    size = np.diag(S)
    most = max(*size, 1.0)
    return np.diag(
        [
            1e-9 + (1e-6 if name in LEVELS else ridge * max(own / most, 1e-3))
            for name, own in zip(names, size, strict=True)
        ]
    )


@pytest.mark.parametrize("seed", [131, 132, 133])
@pytest.mark.parametrize(
    ("matches", "short"),
    [(("m10", "m1", "m3", "m2"), False), (("m10", "m1", "m3", "m2"), True), (("m1", "m2"), False)],
)
def test_the_whole_value_of_a_hard_log_by_one_rally_at_a_time(hard_log, slow, seed, matches, short):
    """Scores, choice, weights and covariance; of one decided match nothing is chosen.

    Tolerances: weights and covariance are rounded to eight digits of the largest.
    """
    table = hard_log(seed, 80, short=short)
    table = table[table["match"].isin(matches)].reset_index(drop=True)
    ours = BallValue().fit(table)
    strengths = Strengths().fit(table)
    every, names = ball_columns(table)
    every = slow.stand_in(table, every)
    m, decided = len(names), table["won"].notna().to_numpy()
    fold = {name: zlib.crc32(name.encode()) % 5 for name in table["match"].unique()}
    plain = {trace: plain_sums(table, strengths, trace, every) for trace in TRACES}
    of_shot = table["match"].map(fold).to_numpy()
    met = sorted({fold[name] for name in plain[0.0]})
    y = np.zeros(len(table))
    for rally in decided_rallies(table):
        sign, _, result = server_view(rally, strengths, every[rally.index.to_numpy()])
        y[rally.index] = sign * result

    def solved(trace, ridge, folds):
        rows = decided & np.isin(of_shot, folds)
        mine = [sums for name, sums in plain[trace].items() if fold[name] in folds]
        left = sum(A for A, _ in mine) + plain_penalty(every[rows].T @ every[rows], names, ridge)
        return left, np.linalg.solve(left, sum(b for _, b in mine))

    rows = []
    for trace in TRACES:
        for ridge in RIDGES:
            loss = 0.0
            for out in met:
                if len(met) == 1:
                    loss = np.nan
                    break
                w = solved(trace, ridge, [f for f in met if f != out])[1]
                here = decided & (of_shot == out)
                loss += sum((y[k] - every[k] @ w) ** 2 for k in np.flatnonzero(here))
            rows.append((trace, ridge, loss / decided.sum()))
    expected = pd.DataFrame(rows, columns=["trace", "ridge", "squared_error"])
    pd.testing.assert_frame_equal(ours.scores_, expected, rtol=1e-7)
    best = min(rows, key=lambda row: row[2]) if len(met) > 1 else (0.5, 3000.0)
    assert (ours.trace_, ours.ridge_) == best[:2]
    assert (len(met) == 1) == (len(matches) == 2)
    assert ours.n_shots_ == decided.sum()
    left, w = solved(*best[:2], met)
    pd.testing.assert_series_equal(
        ours.weights_, pd.Series(w, names, name="weight"), rtol=0, atol=2e-8 * np.abs(w).max()
    )
    J = np.zeros((m, m))
    for rally in decided_rallies(table):
        _, phi, result = server_view(rally, strengths, every[rally.index.to_numpy()])
        z, score = np.zeros(m), np.zeros(m)
        for t in range(len(phi)):
            z = best[0] * z + phi[t]
            last = t == len(phi) - 1
            score += z * ((result - phi[t] @ w) if last else (phi[t + 1] - phi[t]) @ w)
        J += np.outer(score, score)
    # the inverse times J, times the inverse's transpose, without an inverse
    covariance = np.linalg.solve(left, np.linalg.solve(left, J).T).T
    scale = np.abs(covariance).max()
    np.testing.assert_allclose(ours.covariance_, covariance, rtol=0, atol=1e-6 * scale)
    assert (ours.full_ is None) != short
    np.testing.assert_allclose(ours.columns(table), every, atol=1e-8)
    known = plain_values_of(ours, table, every)
    np.testing.assert_allclose(ours.predict(table), known, atol=1e-12)
    np.testing.assert_allclose(ours.advantage(table), known - 0.5, atol=1e-12)
    np.testing.assert_allclose(ours.advantage(table, columns=every), known - 0.5, atol=1e-12)
    even = [min(max(float(row @ ours.weights_), -0.5), 0.5) for row in every]
    np.testing.assert_allclose(ours.advantage(table, strengths=False), even, atol=1e-12)
    error = [np.sqrt(max(row @ ours.covariance_ @ row, 0.0)) for row in every]
    np.testing.assert_allclose(ours.errors(table), error, rtol=1e-6, atol=1e-9)


def plain_values_of(value, table, every):
    """The chance with each ball, between 0 and 1."""
    strength, found = value.strengths_.strength_, []
    for shot, row in zip(table.to_dict("records"), every, strict=True):
        lead = strength.get(shot["player"], 0.0) - strength.get(shot["opponent"], 0.0)
        found.append(min(max(0.5 + float(row @ value.weights_) + lead / 4, 0.0), 1.0))
    return np.array(found)


@pytest.mark.parametrize("seed", range(6))
def test_numbers_are_settled_in_decimals(seed):
    rng = np.random.default_rng(seed)
    values = rng.standard_normal((3, 4)) * 10.0 ** rng.integers(-7, 7)
    values[0, 0] = 0.0
    for digits in (8, 3):
        found = module.settled(values, digits)
        near = np.abs(values).max()
        np.testing.assert_allclose(found, rounded(values, digits), rtol=0, atol=1e-15 * near)
    np.testing.assert_array_equal(module.settled(values), module.settled(values, 8))
    tens = np.array([10.0**seed, 0.123456789012 * 10.0**seed])
    assert module.settled(tens, 2)[1] == pytest.approx(0.12 * 10.0**seed, rel=1e-12)
    for odd in (np.zeros(2), np.array([1.23456789012345, np.inf]), np.zeros(0)):
        np.testing.assert_array_equal(module.settled(odd), odd)


@pytest.mark.parametrize("seed", [134, 135])
def test_every_column_of_hard_balls_by_a_plain_list(hard_log, seed):
    """Serves with a side and a gap, words without a place, and a log without these columns."""
    table = hard_log(seed, 80)
    serve = table["stroke"] == "serve"
    assert table.loc[serve, ["side", "gap_m", "depth", "balance"]].notna().any().all()
    found, names = ball_columns(table)
    expected = pd.DataFrame([plain_columns(ball) for _, ball in table.iterrows()])
    expected = expected.reindex(columns=names, fill_value=0.0).fillna(0.0)
    np.testing.assert_allclose(found, expected, atol=1e-12)
    for lost in (
        "depth",
        "opponent_place",
        "balance",
        "x_m",
        "y_m",
        "opponent_x_m",
        "opponent_y_m",
    ):
        found = ball_columns(table.drop(columns=lost))[0]
        expected = ball_columns(table.assign(**{lost: np.nan}))[0]
        np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("horizon", [1, 2, 4, "rally"])
@pytest.mark.parametrize("strengths", [False, True])
def test_what_hard_shots_are_judged_by(hard_log, horizon, strengths):
    """Result, ball and sign of every shot, in a walk; with the value's clipped chances."""
    table = hard_log(136)
    value = BallValue().fit(table)
    ahead = value.advantage(table, strengths)
    found = outcomes(table, value, horizon, strengths)
    if horizon == "rally":
        pd.testing.assert_frame_equal(
            pd.DataFrame(vars(found)), pd.DataFrame(vars(outcomes(table, None)))
        )
    rows = []
    for k, shot in enumerate(table[["shots_left", "won"]].to_dict("records")):
        judged = shot["won"], -1
        if horizon != "rally" and shot["won"] == shot["won"] and shot["shots_left"] >= horizon:
            mine = horizon % 2 == 0
            judged = 0.5 + (1 if mine else -1) * ahead[k + horizon], k + horizon
        sign = 1.0 if horizon == "rally" or horizon % 2 == 0 else -1.0
        rows.append((*judged, sign, np.nan if horizon == "rally" else ahead[k]))
    expected = pd.DataFrame(rows, columns=["outcome", "ball", "sign", "advantage"])
    pd.testing.assert_frame_equal(pd.DataFrame(vars(found)), expected)
    if horizon == 1 and strengths:
        pd.testing.assert_frame_equal(pd.DataFrame(vars(outcomes(table, value))), expected)


@pytest.mark.parametrize("asked", [0, 3, 8, "match", None])
def test_another_horizon_is_refused(asked):
    with pytest.raises(DataError, match="it must be 1, 2, 4 or 'rally'"):
        module.need_horizon(asked)
    assert [module.need_horizon(one) for one in (1, 2, 4, "rally")] == [1, 2, 4, "rally"]
