"""Names that a log may hold, drawn by every picture that shows a name."""

from __future__ import annotations

import warnings
from io import BytesIO
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib import font_manager
from matplotlib import pyplot as plt

from sidewall.models import TightnessModel
from sidewall.plots import (
    plot_comfort,
    plot_match_win_probability,
    plot_threshold,
    plot_zone_map,
    style,
)
from sidewall.plots.words import BOX, columns, drawable
from sidewall.scoring import PointARally
from sidewall.simulate import draw_players, round_robin, simulate_shots

pytestmark = pytest.mark.slow

NAMES = [r"$\foo$", "<script>alert(1)</script>", "../x", "松", r"\frac{a", "$x_1$ & $^", "A" * 60]
#: Only the STIX fonts that come with matplotlib have it, DejaVu Sans does not.
SCRIPT_LETTER = "\u20d2"


@pytest.fixture(scope="module")
def shots():
    players = draw_players(NAMES, np.random.default_rng(5))
    return simulate_shots(players, round_robin(len(NAMES), 3), rng=6)


@pytest.fixture(scope="module")
def model(shots):
    return TightnessModel(outcome="rally", draws=200).fit(shots)


def pictures(model, shots, name):
    yield plot_threshold(model, name)[0, 0].figure
    yield plot_threshold(model, name, "forehand", "ground").figure
    yield plot_comfort(model, name)[0].figure
    yield plot_zone_map(shots, name).figure
    yield plot_match_win_probability(systems={name: PointARally(11)}, best_of=3).figure


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_drawn_as_it_is_by_every_picture(model, shots, name):
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # such as: no such glyph
        for figure in pictures(model, shots, name):
            svg = BytesIO()
            figure.savefig(svg, format="svg")
            tree = ElementTree.fromstring(svg.getvalue())
            assert not any("script" in node.tag for node in tree.iter())
            width = figure.bbox.width
            for text in figure.findobj(plt.Text):
                if text.get_text() and text.get_visible():
                    assert text._preprocess_math(text.get_text())[1] is not True
            for title in [figure._suptitle, *(ax._left_title for ax in figure.axes)]:
                if title is not None and title.get_text():
                    assert title.get_window_extent().x1 <= width
            plt.close(figure)


def test_the_zone_map_is_headed_by_the_name(shots):
    shown = plot_zone_map(shots, r"$\foo$").get_title(loc="left")
    assert shown.replace(r"\$", "$") == r"$\foo$: rallies won"
    shown = plot_zone_map(shots, "A" * 60).get_title(loc="left")
    assert shown == "A" * 39 + "…:\nrallies won"


def test_wide_letters_count_twice():
    assert columns("Rowan") == 5
    assert columns("松 Pine") == 7


def test_usual_letters_change_nothing():
    assert drawable("Rowan Éric Øystein Żółw Ηλίας") == ("Rowan Éric Øystein Żółw Ηλίας", {})


def test_a_letter_that_another_font_has_is_drawn_with_it():
    words, more = drawable(f"a{SCRIPT_LETTER}")
    assert words == f"a{SCRIPT_LETTER}"
    *usual, behind = more["fontfamily"]
    assert usual == plt.rcParams["font.family"]
    path = font_manager.findfont(font_manager.FontProperties(family=[behind]))
    assert font_manager.get_font(path).get_char_index(ord(SCRIPT_LETTER))
    ax = style.new_axes()
    style.title(ax, words)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ax.figure.canvas.draw()


def test_a_letter_that_no_font_has_is_a_box(monkeypatch):
    monkeypatch.setattr("sidewall.plots.words._family_with", lambda *_: None)
    assert drawable("松 Pine") == (f"{BOX} Pine", {})
