from __future__ import annotations

import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.collections import QuadMesh

from sidewall.plots.heat import heat
from sidewall.plots.style import luminance

SHARE = np.array([[0.1, 0.32, np.nan], [0.0, 0.05, 0.2]])


@pytest.fixture
def ax():
    fresh = plt.subplots(layout="constrained")[1]
    heat(fresh, SHARE, np.array([["10", "32", ""], ["", "5", "20"]], dtype=object))
    return fresh


def mesh(ax):
    (found,) = [one for one in ax.collections if isinstance(one, QuadMesh)]
    return found


def test_a_cell_a_share_with_row_0_at_the_top(ax):
    np.testing.assert_array_equal(np.ma.filled(mesh(ax).get_array(), np.nan), SHARE)
    assert ax.get_ylim()[0] > ax.get_ylim()[1]
    written = {text.get_position(): text.get_text() for text in ax.texts if text.get_text()}
    assert written == {(0.5, 0.5): "10", (1.5, 0.5): "32", (1.5, 1.5): "5", (2.5, 1.5): "20"}


def test_darker_is_more_in_grey_and_words_read_on_every_cell(ax):
    ax.figure.canvas.draw()
    shares = mesh(ax).get_array().compressed()
    order = np.argsort(shares)
    grey = [luminance(mesh(ax).to_rgba(shares[k])[:3]) for k in order]
    assert (np.diff(grey) < 0).all()
    for text in ax.texts:
        ink = luminance(text.get_color())
        assert (min(grey) + 0.05) / (ink + 0.05) > 4.5


def test_a_bar_says_the_colours_to_a_round_share(ax):
    assert mesh(ax).norm.vmin == 0.0
    assert mesh(ax).norm.vmax == pytest.approx(0.35)
    (bar,) = [one for one in ax.figure.axes if one is not ax]
    ax.figure.canvas.draw()
    labels = [label.get_text() for label in bar.get_xticklabels()]
    assert labels[0] == "0%"
    assert all(label.endswith("%") for label in labels)
