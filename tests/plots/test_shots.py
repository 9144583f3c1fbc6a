"""Thresholds by stroke and situation, and the shots of one ball."""

import matplotlib as mpl
import numpy as np
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.plots.style import PAPER

mpl.use("Agg")


@pytest.fixture(scope="module")
def model(shots):
    return sw.TightnessModel(draws=100).fit(shots)


def test_a_row_a_stroke_beside_the_general_answer(model):
    player = model.players_[0]
    axes = sw.plot_thresholds_by(model, player)
    table = model.thresholds(by="stroke").query("player == @player")
    for cell, ax in zip(model.cells_, axes.T.ravel(), strict=True):
        here = table[(table["side"] == cell[0]) & (table["family"] == cell[1])]
        labels = [text.get_text().split("\n")[0] for text in ax.get_yticklabels()]
        assert labels == ["in general", *here["stroke"]]
        dots = {line.get_label(): line for line in ax.get_lines() if line.get_label()[0] == "_"}
        for row in here[here["status"] == "crosses"].itertuples():
            dot = dots[f"_{row.stroke}"]
            assert dot.get_xdata()[0] == pytest.approx(row.threshold_m)
            hollow = dot.get_markerfacecolor() == PAPER
            assert hollow == (row.basis == "as in general")


def test_a_line_a_stroke_that_was_played(model):
    player = model.players_[0]
    ax = sw.plot_shot_map(model, player, "backhand", "ground")
    played = model.which_shot(player, "backhand", "ground", 0.5).query("n_shots >= 5")
    lines = [line for line in ax.get_lines() if line.get_label()[1:] in set(played["stroke"])]
    assert len(lines) == len(played)
    drive = next(line for line in lines if line.get_label() == "_drive")
    at = np.interp(0.5, drive.get_xdata(), drive.get_ydata())
    win = played.set_index("stroke").loc["drive", "win"]
    assert at == pytest.approx(100 * win, abs=0.3)
    with pytest.raises(DataError, match="does not tell"):
        sw.plot_shot_map(model, player, "backhand", "ground", mood="good")
    with pytest.raises(DataError, match="no ball is"):
        sw.plot_shot_map(model, player, "middle", "ground")
