from __future__ import annotations

import numpy as np
import pytest
from matplotlib import pyplot as plt

from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features import shot_features
from sidewall.models import TightnessModel
from sidewall.plots import plot_comfort
from sidewall.plots.words import threshold_difference_words, win_difference_words
from sidewall.simulate import draw_players, round_robin, simulate_shots


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", "Alder", "Willow"], np.random.default_rng(5))
    return simulate_shots(players, round_robin(4, 9), rng=6)


@pytest.fixture(scope="module")
def model(shots):
    return TightnessModel(draws=200).fit(shots)


def said(ax):
    return "\n".join(text.get_text() for text in ax.texts)


def lines(ax, start):
    return {str(one.get_label()): one for one in ax.lines if str(one.get_label()).startswith(start)}


@pytest.mark.parametrize("player", ["Rowan", "Hazel", "Alder", "Willow"])
def test_dots_stand_at_the_thresholds_and_open_answers_in_words(model, player):
    left, _ = plot_comfort(model, player)
    answers = model.thresholds().query("player == @player")
    crosses = answers[answers["status"] == "crosses"]
    for row in crosses.to_dict("records"):
        dot = lines(left, f"_{row['side']} {row['family']}")
        assert [float(one.get_xdata()[0]) for one in dot.values()] == [row["threshold_m"]]
    words = [text.get_text() for text in left.texts]
    assert words.count("not known yet") == (answers["status"] == "not known yet").sum()
    assert len(lines(left, "_forehand")) + len(lines(left, "_backhand")) == len(crosses)


def test_somebody_has_a_threshold_and_somebody_an_open_answer(model):
    assert set(model.thresholds()["status"]) >= {"crosses", "not known yet"}


def test_the_difference_is_in_rallies_in_a_hundred_with_zero_and_n(model):
    _, right = plot_comfort(model, "Rowan")
    for row in model.comfort().query("player == 'Rowan'").to_dict("records"):
        dot = lines(right, f"_difference {row['family']}")
        assert [float(one.get_xdata()[0]) for one in dot.values()] == [100 * row["win_difference"]]
        n = f"n = {row['n_forehand']:,} forehands, {row['n_backhand']:,} backhands"
        assert n in said(right)
        assert win_difference_words(row) in said(right)
    assert len(lines(right, "_zero")) == 1
    assert sum(right.get_xlim()) == pytest.approx(0.0)


def test_the_answer_is_said_for_each_family(model):
    left, _ = plot_comfort(model, "Rowan", unit="in")
    assert {"After the bounce", "Volley"} <= set(said(left).split("\n"))
    for row in model.comfort().query("player == 'Rowan'").to_dict("records"):
        assert threshold_difference_words(row, GapWords("in")) in said(left)
    assert left.get_xlabel() == "attack pays from a gap of (in)"


def test_boards_where_the_width_is_known(model):
    assert plot_comfort(model, "Rowan")[0].child_axes == []
    second = plot_comfort(model, "Rowan", board_width_m=0.07)[0].child_axes
    assert [ax.get_xlabel() for ax in second] == ["floorboards"]


def test_a_log_without_contact_has_one_family(shots):
    one = TightnessModel(draws=200).fit(shots.drop(columns="contact"))
    left, right = plot_comfort(one, "Rowan")
    assert said(left).count("All strokes") == said(right).count("All strokes") == 1
    assert [label.get_text() for label in left.get_yticklabels()] == ["forehand", "backhand"]


def test_a_side_never_charted_is_not_compared(shots):
    features = shot_features(shots)
    own = (features["player"] == "Rowan") & (features["side"] == "forehand")
    kept = ~(own & (features["family"] == "volley"))
    left, right = plot_comfort(TightnessModel(draws=200).fit(features, keep=kept), "Rowan")
    assert said(left).count("none charted") == 1
    assert said(left).count("no forehand charted") == said(right).count("no forehand charted") == 1
    assert list(lines(right, "_difference")) == ["_difference ground"]
    assert not lines(left, "_forehand volley")


def test_it_goes_into_two_axes_given(model):
    figure, pair = plt.subplots(1, 2)
    drawn = plot_comfort(model, "Rowan", ax=pair)
    assert list(drawn) == list(pair)
    assert figure.get_suptitle() == ""
    with pytest.raises(DataError, match="two axes"):
        plot_comfort(model, "Rowan", ax=[pair[0]])


def test_a_stranger_is_refused(model):
    with pytest.raises(DataError, match="'Aspen'"):
        plot_comfort(model, "Aspen")


def test_words_keep_to_their_side(model):
    left, right = plot_comfort(model, "Rowan", board_width_m=0.07)
    left.figure.canvas.draw()
    edge = max(text.get_window_extent().x1 for text in left.texts)
    assert edge <= min(text.get_window_extent().x0 for text in right.texts)
    end = max(text.get_window_extent().x1 for text in right.texts)
    assert end <= left.figure.bbox.x1
