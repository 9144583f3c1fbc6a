from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import DataError
from sidewall.placement.player_curves import PlayerCurves

PLAYERS, SHOTS, SLOPE_M, SPREAD_M = 8, 400, -3.0, 0.6


class GivenDraws:
    """In place of the fit: keeps what it is given, and has draws that were made up."""

    def __init__(self, groups, draws, seed):
        self.asked = groups, draws, seed

    def fit(self, *given):
        self.given = given
        rng = np.random.default_rng(1)
        self.groups_ = np.unique(np.asarray(given[3]))
        p, q = given[1].shape[1], given[2].shape[1]
        self.draws_ = SimpleNamespace(
            common=rng.normal(size=(30, p)), own=rng.normal(size=(len(self.groups_), 30, q))
        )
        return self


@pytest.mark.parametrize("lead", [False, True])
def test_what_is_drawn_and_what_is_told_by_loops(monkeypatch, lead):
    monkeypatch.setattr("sidewall.placement.player_curves.LogitDraws", GivenDraws)
    rng = np.random.default_rng(5)
    X = pd.DataFrame(rng.normal(size=(12, 3)), columns=["constant", "side", "height"])
    X["constant"] = 1.0
    y = pd.Series(rng.integers(0, 2, 12).astype(float))
    rows = pd.DataFrame({"player": [*"ccaabcabbcac"], "rally_id": rng.integers(0, 5, 12)})
    offset = rng.normal(size=12) if lead else None
    curves = PlayerCurves(0.3, 8).fit(y, X, ["constant", "height"], rows, offset)
    groups, draws, seed = curves.fit_.asked
    assert (draws, seed) == (400, 8)
    assert (groups.common.tolist(), groups.own.tolist()) == ([-1, -1, -1], [0, 1])
    assert list(groups.names) == ["constant", "height"]
    # a column without a spread counts as it is
    np.testing.assert_allclose(groups.scale, [0.3, 0.3 / X["height"].std()])
    given = curves.fit_.given
    np.testing.assert_array_equal(given[0], y)
    np.testing.assert_array_equal(given[1], X)
    np.testing.assert_array_equal(given[2], X[["constant", "height"]])
    assert list(given[3]) == rows["player"].tolist()
    assert given[4] is offset
    assert list(given[5]) == rows["rally_id"].tolist()
    assert curves.players_ == ["a", "b", "c"]
    known = offset if lead else np.zeros(12)
    leads = {name: known[rows["player"] == name].mean() for name in "abc"}
    common, own = curves.fit_.draws_.common, curves.fit_.draws_.own
    for name in ("a", "b", "c", None, "nobody"):
        drawn = common.copy()
        if name in leads:
            drawn[:, [0, 2]] += own["abc".index(name)]
        mean = drawn.mean(axis=0)
        mean[0] += leads.get(name, np.mean(list(leads.values())))
        away = drawn - drawn.mean(axis=0)
        value, covariance = curves.of(name)
        np.testing.assert_allclose(value, mean)
        np.testing.assert_allclose(covariance, away.T @ away / 29)
    one = PlayerCurves().fit(y, X[["constant"]], ["constant"], rows, offset)
    assert one.of("b")[1].shape == (1, 1)
    assert (one.prior_scale, one.seed) == (0.2, 0)


@pytest.fixture(scope="module")
def low_balls():
    """Results of balls at some height; players' slopes differ by 0.6 log odds a metre."""
    rng = np.random.default_rng(11)
    slope = rng.normal(SLOPE_M, SPREAD_M, PLAYERS)
    who = np.repeat(np.arange(PLAYERS), SHOTS)
    z = rng.normal(0.0, 0.16, len(who))
    chance = 1.0 / (1.0 + np.exp(-(0.3 + slope[who] * z)))
    won = pd.Series((rng.random(len(who)) < chance).astype(float))
    rows = pd.DataFrame({"player": who.astype(str), "rally_id": np.arange(len(who))})
    return won, pd.DataFrame({"constant": 1.0, "height_m": z}), rows


def curves_of(low_balls, times=1.0, **options):
    won, X, rows = low_balls
    X = X.assign(height_m=times * X["height_m"])
    return PlayerCurves(**options).fit(won, X, list(X.columns), rows)


def test_a_length_in_centimetres_gives_the_curves_of_one_in_metres(low_balls):
    """How far players may differ must not hang on the unit: 0.2 a metre is nothing.

    Only the all but flat prior of the common coefficients does, in the sixth digit.
    """
    metres, centimetres = curves_of(low_balls), curves_of(low_balls, 100.0)
    for player in (None, "0", "5"):
        (b, V), (c, W) = metres.of(player), centimetres.of(player)
        unit = np.array([1.0, 100.0])
        np.testing.assert_allclose(c * unit, b, rtol=1e-4)
        np.testing.assert_allclose(W * np.outer(unit, unit), V, rtol=1e-4)


def test_results_that_are_all_alike_have_no_curve(low_balls):
    won, X, rows = low_balls
    with pytest.raises(DataError, match="3200 shots ended alike"):
        PlayerCurves().fit(won * 0.0, X, ["constant"], rows)
