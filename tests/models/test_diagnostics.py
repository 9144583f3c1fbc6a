import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss
from sklearn.model_selection import GroupKFold
from threadpoolctl import threadpool_limits

import sidewall as sw
from sidewall.errors import DataError
from sidewall.features.rates import clustered_rate
from sidewall.log.vocabulary import CHOICES, STROKES
from sidewall.models.diagnostics import (
    _notes,
    brier_parts,
    calibration_slope,
    calibration_table,
    clustered_mean,
)


@settings(max_examples=40)
@given(st.integers(0, 2**31), st.integers(5, 200))
def test_brier_parts_add_up_to_the_score(seed, n):
    rng = np.random.default_rng(seed)
    won, win = rng.integers(0, 2, n).astype(float), rng.random(n)
    parts = brier_parts(won, win)
    total = parts["reliability"] - parts["resolution"] + parts["uncertainty"] + parts["within"]
    assert parts["score"] == pytest.approx(total)
    assert parts["score"] == pytest.approx(brier_score_loss(won, win))
    assert parts["reliability"] >= 0
    assert parts["resolution"] >= 0


def test_brier_parts_of_three_predictions_by_hand():
    """Each prediction a bin of its own: nothing is left out within."""
    win = np.repeat([0.2, 0.5, 0.8], [10, 20, 30])
    won = np.concatenate([np.arange(n) < k for n, k in ((10, 3), (20, 8), (30, 27))]).astype(float)
    found = brier_parts(won, win)
    rates, share, base = np.array([0.3, 0.4, 0.9]), np.array([1, 2, 3]) / 6, 38 / 60
    assert found["reliability"] == pytest.approx(share @ (rates - [0.2, 0.5, 0.8]) ** 2)
    assert found["resolution"] == pytest.approx(share @ (rates - base) ** 2)
    assert found["within"] == pytest.approx(0.0, abs=1e-12)


def known_chances(seed, shots=6000, matches=40, by_match=0.0):
    rng = np.random.default_rng(seed)
    match = np.arange(shots) % matches
    p = expit(rng.normal(0.0, 0.8, shots))
    luck = expit(logit(p) + rng.normal(0.0, by_match, matches)[match])
    return (rng.random(shots) < luck).astype(float), p, match


@pytest.mark.parametrize("bold", [1.0, 2.0])
def test_the_slope_is_one_for_true_chances_and_a_half_for_twice_as_bold(bold):
    won, p, match = known_chances(0)
    slope, se = calibration_slope(won, expit(bold * logit(p)), match)
    assert slope == pytest.approx(1.0 / bold, abs=3 * se)
    assert 0 < se < 0.1 / bold


def test_the_slope_and_its_error_are_those_of_a_fit_by_hand():
    """Newton's method, and the sandwich by match with the factor of G / (G - 1)."""
    won, p, match = known_chances(1, shots=2000, by_match=0.5)
    X = np.column_stack([np.ones(2000), logit(p)])
    b = np.zeros(2)
    for _ in range(30):
        q = expit(X @ b)
        b += np.linalg.solve((X.T * (q * (1 - q))) @ X, X.T @ (won - q))
    q = expit(X @ b)
    inverse = np.linalg.inv((X.T * (q * (1 - q))) @ X)
    sums = np.zeros((40, 2))
    np.add.at(sums, match, X * (won - q)[:, None])
    V = inverse @ sums.T @ sums @ inverse * 40 / 39 * 1999 / 1998
    slope, se = calibration_slope(won, p, match)
    assert slope == pytest.approx(b[1], abs=1e-6)
    assert se == pytest.approx(np.sqrt(V[1, 1]), rel=1e-5)


def held_out_table(**worse_by):
    rows = {"model": 0.0, "constant": 0.01, "no player": 0.01, "gradient boosting": 0.01}
    rows |= worse_by
    table = pd.DataFrame({"worse_by": rows, "worse_by_se": 0.002})
    return table.rename_axis("predictor")


def test_notes_speak_where_there_is_something_to_say():
    assert _notes(held_out_table(), 0.9, 0.1) == []
    (bold,) = _notes(held_out_table(), 0.61, 0.12)
    assert "too bold" in bold
    assert "0.61 (standard error 0.12)" in bold
    (one,) = _notes(held_out_table(constant=-0.001), 1.0, 0.1)
    assert "one chance for all balls did as well" in one
    (club,) = _notes(held_out_table(**{"no player": 0.0}), 1.0, 0.1)
    assert "the club's curves did as well" in club
    (trees,) = _notes(held_out_table(**{"gradient boosting": -0.005}), 1.0, 0.1)
    assert "trees" in trees
    assert _notes(held_out_table(**{"gradient boosting": -0.003}), 1.0, 0.1) == []


def test_calibration_of_honest_predictions():
    rng = np.random.default_rng(1)
    win = rng.uniform(0.2, 0.8, 5000)
    won = (rng.random(5000) < win).astype(float)
    table = calibration_table(won, win, np.arange(5000))
    low, high = table["observed_low"], table["observed_high"]
    inside = (low <= table["predicted"]) & (table["predicted"] <= high)
    assert inside.sum() >= 8
    assert table["n_shots"].sum() == 5000
    skewed = calibration_table(won, np.clip(2 * win - 0.5, 0.01, 0.99), np.arange(5000))
    low, high = skewed["observed_low"], skewed["observed_high"]
    outside = (low > skewed["predicted"]) | (skewed["predicted"] > high)
    assert outside.sum() >= 5


def test_clusters_widen_the_error_of_a_mean():
    rng = np.random.default_rng(2)
    by_cluster = rng.normal(size=100)
    values = np.repeat(by_cluster, 5)
    clusters = np.repeat(np.arange(100), 5)
    _, alone = clustered_mean(values, np.arange(500))
    _, together = clustered_mean(values, clusters)
    assert together == pytest.approx(by_cluster.std() / 10, rel=0.02)
    assert together > 2 * alone


def test_one_match_cannot_be_held_out(shots):
    one = shots[shots["match"] == shots["match"].iloc[0]]
    model = sw.TightnessModel("rally", situation=(), strokes=False, draws=50).fit(one)
    with pytest.raises(DataError, match="single match"):
        model.diagnostics()


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("bins", [2, 10])
def test_bins_of_predictions_and_their_parts_by_plain_loops(seed, bins):
    """Predictions on the edges of bins, and fewer of them than bins; rallies in any order."""
    rng = np.random.default_rng([seed, bins])
    n = (3, 8, 40, 90, 200, 300)[seed]
    win = rng.choice(np.round(rng.uniform(0.1, 0.9, 1 + n // 3), 2), n)
    won = (rng.random(n) < win).astype(float)
    rally = rng.integers(0, 1 + n // 3, n)
    edges = [np.quantile(win, k / bins) for k in range(1, bins)]
    place = [sum(edge <= p for edge in edges) for p in win]
    rows, base = [], won.mean()
    reliability = resolution = 0.0
    names = sorted(set(place))
    for bin_ in names:
        mine = [k for k in range(n) if place[k] == bin_]
        said, was = np.mean(win[mine]), np.mean(won[mine])
        rows.append((said, was, len(mine), len(set(rally[mine]))))
        reliability += len(mine) / n * (said - was) ** 2
        resolution += len(mine) / n * (was - base) ** 2
    expected = pd.DataFrame(rows, columns=["predicted", "observed", "n_shots", "n_rallies"])
    found = calibration_table(won, win, rally, bins)
    pd.testing.assert_frame_equal(found[[*expected.columns]], expected, check_dtype=False)
    rate = clustered_rate(won, rally, np.searchsorted(names, place), len(names))
    np.testing.assert_array_equal(found["observed_low"], rate.low)
    np.testing.assert_array_equal(found["observed_high"], rate.high)
    score = np.mean([(p - y) ** 2 for p, y in zip(win, won, strict=True)])
    uncertain = base * (1 - base)
    plain = {"score": score, "reliability": reliability, "resolution": resolution}
    plain |= {"uncertainty": uncertain, "within": score - reliability + resolution - uncertain}
    assert brier_parts(won, win, bins).to_dict() == pytest.approx(plain, abs=1e-12)
    if bins == 10:
        pd.testing.assert_frame_equal(calibration_table(won, win, rally), found)
        assert brier_parts(won, win).equals(brier_parts(won, win, 10))


@pytest.mark.parametrize("clusters", [1, 2, 7])
def test_a_mean_and_its_error_by_cluster(clusters):
    rng = np.random.default_rng(clusters)
    values, cluster = rng.standard_normal(20), np.arange(20) * 5 % clusters * 3
    sums = [sum(values[cluster == c] - values.mean()) for c in set(cluster)]
    correction = clusters / max(clusters - 1, 1)
    mean, error = clustered_mean(values, cluster)
    assert mean == pytest.approx(values.mean())
    assert error == pytest.approx((correction * sum(s * s for s in sums)) ** 0.5 / 20, abs=1e-12)


def test_notes_on_their_very_limits():
    assert _notes(held_out_table(), 0.8, 0.1) == []
    assert len(_notes(held_out_table(), 0.7999, 0.1)) == 1
    assert _notes(held_out_table(**{"gradient boosting": -0.004}), 1.0, 0.1) == []
    every = {"constant": 0.0, "no player": -1.0, "gradient boosting": -0.0041}
    assert [note.split(":")[0] for note in _notes(held_out_table(**every), 0.5, 0.1)] == [
        "predictions for unseen matches are too bold",
        "on unseen matches one chance for all balls did as well",
        "on unseen matches the club's curves did as well",
        "trees on the same columns do better on unseen matches",
    ]
    assert _notes(held_out_table(constant=1e-9, **{"no player": 1e-9}), 1.0, 0.1) == []


def test_every_prediction_of_held_out_matches(hard_log):
    """Each part by fits to the kept shots of the other matches; losses by loops."""
    table = hard_log(271, 220)
    model = sw.TightnessModel("rally", situation=("balance",), strokes=False, draws=50)
    model.fit(table, "shot != 4")
    found = model.diagnostics(folds=2)
    used, whole = model.used_, model.parts.table
    match = used["match"].astype(str).to_numpy()
    won = used["won"].to_numpy()
    win = {name: np.zeros(len(used)) for name in found.held_out.index}
    for train, test in GroupKFold(2).split(used, groups=match):
        seen = whole["match"].isin(set(match[train])).to_numpy()
        again = model.again(whole[seen], (whole["shot"] != 4).to_numpy()[seen], 100)
        assert again.posterior_.n_draws == 100
        some = used.iloc[test]
        win["model"][test] = again.predict_proba(some)[:, 1]
        strange = some.assign(player="Yew", opponent="Oak")
        win["no player"][test] = again.predict_proba(strange)[:, 1]
        rows, bare = [], []
        strength = again.strengths_.strength_
        for shot in used.to_dict("records"):
            lead = strength.get(shot["player"], 0.0) - strength.get(shot["opponent"], 0.0)
            side = {"forehand": -0.5, "backhand": 0.5}[shot["side"]]
            volley = {"ground": -0.5, "volley": 0.5}.get(shot["family"], 0.0)
            place = [
                list(words).index(shot[name]) if shot[name] in words else -1
                for name, words in (
                    ("choice", CHOICES),
                    ("stroke", STROKES),
                    *model.situation_.items(),
                )
            ]
            rows.append([shot["gap_m"], side, volley, *place, lead])
            bare.append((side, volley, *place))
        rows = np.array(rows)
        trees = HistGradientBoostingClassifier(
            max_iter=80, learning_rate=0.05, max_leaf_nodes=12, min_samples_leaf=60, random_state=0
        )
        with threadpool_limits(1):
            trees.fit(rows[train], won[train])
        win["gradient boosting"][test] = trees.predict_proba(rows[test])[:, 1]
        levels = [sorted({row[k] for row in bare}) for k in range(len(bare[0]))]
        hot = [[float(row[k] == w) for k in range(len(row)) for w in levels[k]] for row in bare]
        hot = np.column_stack([hot, rows[:, -1]])
        plain = LogisticRegression(max_iter=500).fit(hot[train], won[train])
        win["no gap"][test] = plain.predict_proba(hot[test])[:, 1]
        for choice in CHOICES:
            rate = [won[k] for k in train if used["choice"].iloc[k] == choice]
            for k in test:
                if used["choice"].iloc[k] == choice:
                    win["constant"][k] = sum(rate) / len(rate)
    loss = {
        name: np.array([-np.log(q if y else 1 - q) for q, y in zip(p, won, strict=True)])
        for name, p in win.items()
    }
    rally, rows = used["rally_id"].to_numpy(), []
    for name in ("model", "constant", "no player", "no gap", "gradient boosting"):
        row = []
        for values in (loss[name], loss[name] - loss["model"]):
            off = pd.Series(values - values.mean()).groupby(rally).sum()
            n = len(off)
            row += [values.mean(), np.sqrt(n / (n - 1) * (off**2).sum()) / len(values)]
        rows.append((name, *row))
    names = ["predictor", "log_loss", "se", "worse_by", "worse_by_se"]
    expected = pd.DataFrame(rows, columns=names).set_index("predictor")
    pd.testing.assert_frame_equal(found.held_out, expected, rtol=1e-4, atol=1e-5)
    assert (found.n_shots, found.n_rallies, found.n_matches) == (len(used), len(set(rally)), 3)
    slope = calibration_slope(won, np.clip(win["model"], 1e-4, 1 - 1e-4), match)
    assert (found.slope, found.slope_se) == pytest.approx(slope, rel=1e-4)
    assert found.notes == _notes(found.held_out, found.slope, found.slope_se)
    pd.testing.assert_frame_equal(found.calibration, calibration_table(won, win["model"], rally))
