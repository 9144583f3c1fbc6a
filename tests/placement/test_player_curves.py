import numpy as np
import pandas as pd
import pytest

from sidewall.errors import DataError
from sidewall.placement.player_curves import PlayerCurves

PLAYERS, SHOTS, SLOPE_M, SPREAD_M = 8, 400, -3.0, 0.6


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
