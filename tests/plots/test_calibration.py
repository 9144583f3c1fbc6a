from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.errors import DataError
from sidewall.models.diagnostics import Diagnostics, brier_parts, calibration_table
from sidewall.plots import plot_calibration


@pytest.fixture(scope="module")
def checks():
    """Predictions that are true, so that every part of the picture has its known place."""
    rng = np.random.default_rng(2)
    win = rng.uniform(0.3, 0.7, 4000)
    won = (rng.random(4000) < win).astype(float)
    rally = np.arange(4000) // 4
    held_out = pd.DataFrame(
        {
            "log_loss": [0.6812, 0.6822, 0.6810, 0.6842, 0.6852],
            "se": 0.002,
            "worse_by": [0.0, 0.0010, -0.0002, 0.0030, 0.0040],
            "worse_by_se": [0.0, 0.0005, 0.0001, 0.0005, 0.0010],
        },
        index=pd.Index(
            ["model", "no gap", "no player", "constant", "gradient boosting"], name="predictor"
        ),
    )
    table = calibration_table(won, win, rally, bins=8)
    return Diagnostics(held_out, 1.0, 0.05, table, brier_parts(won, win), [], 4000, 1000, 20)


def labelled(ax, label):
    (found,) = [one for one in (*ax.lines, *ax.collections) if one.get_label() == label]
    return found


def test_points_and_intervals_are_the_tables_in_per_cent(checks):
    ax = plot_calibration(checks)
    points, table = labelled(ax, "_bins"), checks.calibration
    np.testing.assert_allclose(points.get_xdata(), 100 * table["predicted"])
    np.testing.assert_allclose(points.get_ydata(), 100 * table["observed"])
    segments = np.array(labelled(ax, "_intervals").get_segments())
    np.testing.assert_allclose(
        segments[:, :, 1], 100 * table[["observed_low", "observed_high"]].to_numpy()
    )


def test_the_diagonal_crosses_square_axes_that_hold_everything(checks):
    ax = plot_calibration(checks)
    diagonal = labelled(ax, "won as often as predicted")
    np.testing.assert_array_equal(diagonal.get_xdata(), diagonal.get_ydata())
    assert ax.get_xlim() == ax.get_ylim()
    low, high = ax.get_xlim()
    assert 0 <= low <= 100 * checks.calibration["observed_low"].min()
    assert 100 * checks.calibration["observed_high"].max() <= high <= 100
    assert [text.get_text() for text in ax.get_legend().get_texts()] == [
        "won as often as predicted"
    ]


def test_n_and_what_the_gap_is_worth_are_said(checks):
    ax = plot_calibration(checks)
    said = "\n".join(text.get_text() for text in ax.texts)
    assert "n = 4,000 shots in 1,000 rallies; 500 a point" in said
    assert "log loss on matches held out: 0.6812" in said
    assert "0.0010 ± 0.0010 worse without the gap" in said
    assert "0.0002 ± 0.0002 better without the player" in said
    assert "0.0030 ± 0.0010 worse with one chance for all" in said
    assert "0.0040 ± 0.0020 worse with gradient boosting" in said
    assert ax.get_xlabel() == "chance of winning predicted (%)"
    assert ax.get_ylabel() == "rallies won (%)"


def test_extreme_chances_stay_within_0_to_100(checks):
    table = pd.DataFrame(
        {"predicted": [0.01, 0.99], "observed": [0.0, 1.0], "observed_low": [0.0, 0.8],
         "observed_high": [0.2, 1.0], "n_shots": [20, 30], "n_rallies": [10, 10]}
    )  # fmt: skip
    ax = plot_calibration(replace(checks, calibration=table, n_shots=50, n_rallies=20))
    assert ax.get_xlim() == (0.0, 100.0)
    assert "20 to 30 a point" in ax.texts[0].get_text()


def test_axes_given_are_used_and_an_empty_table_refused(checks):
    _, ax = plt.subplots()
    assert plot_calibration(checks, ax=ax) is ax
    empty = replace(checks, calibration=checks.calibration.iloc[:0], n_shots=0, n_rallies=0)
    with pytest.raises(DataError, match="empty"):
        plot_calibration(empty)
