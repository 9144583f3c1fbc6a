import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from sidewall.progress.compare import holm, judge


@pytest.mark.parametrize("power", [1, 3, 8])
def test_holm_agrees_with_statsmodels(power):
    p = np.append(np.random.default_rng(power).random(11) ** power, [0.0, 1.0])
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-15)


def test_missing_p_values_do_not_count():
    adjusted = holm(np.array([0.01, np.nan, 0.04]))
    assert np.isnan(adjusted[1])
    np.testing.assert_allclose(adjusted[[0, 2]], [0.02, 0.04])


def rows(*changes, error=0.05, better="higher", matters=0.2):
    return pd.DataFrame(
        [
            {"before": 0.5, "after": 0.5 + change, "before_error": error, "after_error": error,
             "error": error, "better_when": better, "matters": matters, "least": 0.0, "most": 1.0}
            for change in changes
        ]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("change", "error", "better", "word"),
    [
        (0.2, 0.05, "higher", "better"),
        (0.2, 0.05, "lower", "worse"),
        (-0.2, 0.05, "lower", "better"),
        (0.05, 0.05, "higher", "no change shown"),
        (0.05, 0.10, "higher", "not known yet"),
        (np.nan, np.nan, "higher", "not known yet"),
    ],
)
def test_the_word(change, error, better, word):
    assert judge(rows(change, error=error, better=better), 0.95)["verdict"].tolist() == [word]


def test_looking_at_more_takes_more():
    # 2.2 standard errors: enough alone, not among ten
    assert judge(rows(0.11), 0.95)["verdict"][0] == "better"
    many = judge(rows(0.11, *[0.0] * 9), 0.95)
    assert many["verdict"][0] == "no change shown"
    assert many["change_low"][0] > 0


def test_a_true_change_of_the_smallest_size_is_shown_four_times_in_five():
    error = 0.05
    smallest = judge(rows(0.0, error=error), 0.95)["smallest_change"][0]
    rng = np.random.default_rng(1)
    found = judge(rows(*(smallest + error * rng.standard_normal(2000)), error=error), 0.95)
    seen = (found["p"] <= 0.05) & (found["change"] > 0)
    assert abs(seen.mean() - 0.8) < 3 * np.sqrt(0.16 / 2000)


def test_a_period_is_kept_within_its_scale_and_the_change_is_not():
    found = judge(rows(-0.6), 0.95).iloc[0]
    assert found["after"] == found["after_low"] == 0.0
    assert found["change"] == pytest.approx(-0.6)
