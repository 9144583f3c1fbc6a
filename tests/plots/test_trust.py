from dataclasses import replace

import numpy as np
import pytest
from matplotlib import pyplot as plt

from sidewall import simulate
from sidewall.errors import DataError
from sidewall.features import shot_features
from sidewall.plots.trust import plot_calibration_ranks, plot_overlap
from sidewall.trust import check_ranks, choice_overlap


@pytest.fixture(scope="module")
def overlap():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(1))
    shots = shot_features(simulate.simulate_shots(players, [(0, 1)] * 4, rng=2))
    return choice_overlap(shots, reasons=["balance", "side"], bands_m=[0.0, 0.3, 0.6, 3.2])


@pytest.fixture
def checks():
    rng = np.random.default_rng(3)
    return {
        "right": check_ranks(rng.integers(0, 100, 400), 99),
        "too short": check_ranks(rng.choice([0, 99, 50], 400, p=[0.4, 0.4, 0.2]), 99),
        "several": check_ranks(rng.integers(0, 100, 400), 99, np.repeat(np.arange(100), 4)),
    }


def words_of(ax):
    return [text.get_text() for text in ax.texts]


def test_a_line_for_each_band_with_both_counts(overlap):
    ax = plot_overlap(overlap)
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "0 to 30",
        "30 to 60",
        "60 to 320",
    ]
    band = overlap.bands.iloc[1]
    assert f"{int(band['n_attack']):,} attacked" in words_of(ax)
    assert f"{int(band['n_reset']):,} reset" in words_of(ax)
    total = overlap.bands.iloc[-1]
    assert f"n = {int(total['n_attack'] + total['n_reset']):,} shots" in words_of(ax)[-1]


def test_attacked_balls_stand_above_the_line_and_reset_ones_hang_below(overlap):
    ax = plot_overlap(overlap)
    bars = [patch for patch in ax.patches if 0.0 < patch.get_width() < 0.05]
    up = [bar for bar in bars if bar.get_height() > 0]
    down = [bar for bar in bars if bar.get_height() < 0]
    assert up
    assert down
    assert {bar.get_facecolor() for bar in up}.isdisjoint({bar.get_facecolor() for bar in down})
    # the highest bar of the first band is where most of its attacked balls are
    own = overlap.shots.query("band == 0 and attack")["chance"]
    counts, edges = np.histogram(own, np.linspace(0, 1, 26))
    tallest = max((bar for bar in up if bar.get_y() == 0), key=lambda bar: bar.get_height())
    assert tallest.get_x() == pytest.approx(edges[counts.argmax()])


def test_an_overlap_in_inches(overlap):
    ax = plot_overlap(overlap, unit="in")
    assert ax.get_ylabel() == "gap (in)"
    assert ax.get_yticklabels()[0].get_text() == "0 to 12"


def test_bands_without_shots_are_left_out_and_none_at_all_refused(overlap):
    bands = overlap.bands.copy()
    bands[["n_attack", "n_reset"]] = 0
    with pytest.raises(DataError, match="bands_m"):
        plot_overlap(replace(overlap, bands=bands))


def test_bars_are_the_shares(checks):
    ax = plot_calibration_ranks(checks["too short"], name="gain")
    heights = [patch.get_height() for patch in ax.patches]
    shares = 100 * checks["too short"].histogram["share"].to_numpy()
    assert heights == pytest.approx(shares)
    assert ax.get_title(loc="left") == "gain"
    assert "intervals too short" in words_of(ax)[0]


def test_the_line_is_the_difference(checks):
    ax = plot_calibration_ranks(checks["right"], "ecdf")
    line = ax.lines[-1]
    assert line.get_ydata() == pytest.approx(100 * checks["right"].ecdf["difference"].to_numpy())
    assert "no fault seen" in words_of(ax)[0]


@pytest.mark.parametrize("kind", ["histogram", "ecdf"])
def test_a_panel_for_each_on_one_scale(checks, kind):
    panels = plot_calibration_ranks(checks, kind)
    assert [ax.get_title(loc="left") for ax in panels] == list(checks)
    assert len({ax.get_ylim() for ax in panels}) == 1
    table = checks["too short"].histogram if kind == "histogram" else checks["too short"].ecdf
    top = 100 * table["share" if kind == "histogram" else "difference"].max()
    assert panels[0].get_ylim()[1] > top
    assert any(words.startswith("intervals too short") for words in words_of(panels[1]))


def test_axes_for_several_and_unknown_kinds_are_refused(checks):
    ax = plot_calibration_ranks(checks["right"])
    for given in (
        lambda: plot_calibration_ranks(checks, ax=ax),
        lambda: plot_calibration_ranks({}),
    ):
        with pytest.raises(DataError, match="one check only"):
            given()
    with pytest.raises(DataError, match="histogram"):
        plot_calibration_ranks(checks["right"], "pie")


def test_axes_given_are_drawn_into(checks, overlap):
    _, axes = plt.subplots(1, 2)
    assert plot_calibration_ranks(checks["right"], ax=axes[0]) is axes[0]
    assert plot_overlap(overlap, ax=axes[1]) is axes[1]
