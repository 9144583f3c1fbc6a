"""Agreement against numbers that others have printed."""

import numpy as np
import pytest

from sidewall.agreement import intraclass, limits_of_agreement


def test_shrout_and_fleiss_1979_table_2():
    """Source: Shrout & Fleiss 1979, Psychological Bulletin 86:420-428, tables 2 and 4."""
    ratings = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    found = intraclass(ratings)
    np.testing.assert_array_equal(found["icc"].round(2), [0.17, 0.29, 0.71])
    # limits as the manual of R's psych package prints them for these data (from memory)
    np.testing.assert_allclose(found["icc_low"], [-0.133, 0.019, 0.342], atol=6e-4)
    np.testing.assert_allclose(found["icc_high"], [0.72, 0.76, 0.95], atol=6e-3)


#: Peak expiratory flow of 17 subjects, first readings, l/min (from memory; the summaries
#: printed in the paper are the check).
LARGE_METER = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI_METER = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


@pytest.fixture(scope="module")
def flows():
    """Source: Bland & Altman 1986, Lancet 1:307-310; that paper takes 2 for 1.96."""
    return limits_of_agreement(np.subtract(LARGE_METER, MINI_METER), multiplier=2.0)


def test_bland_and_altman_1986_limits(flows):
    d = np.subtract(LARGE_METER, MINI_METER)
    assert len(d) == 17
    assert round(d.std(ddof=1), 1) == 38.8
    assert round(flows.loc["bias", "value"], 1) == -2.1
    # the paper works from the rounded -2.1 and 38.8
    np.testing.assert_allclose(flows.loc[["lower", "upper"], "value"], [-79.7, 75.5], atol=0.1)


def test_bland_and_altman_1986_intervals(flows):
    """Their printed intervals (from memory), which round at every step."""
    printed = {"bias": (-22.0, 17.8), "lower": (-114.3, -45.1), "upper": (40.9, 110.1)}
    for name, ends in printed.items():
        found = flows.loc[name, ["value_low", "value_high"]].astype(float)
        np.testing.assert_allclose(found, ends, atol=0.25)
