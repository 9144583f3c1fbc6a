from __future__ import annotations

import warnings

import pytest
from matplotlib import pyplot as plt

from sidewall.plots.forest import above, left_part, mark, name_rows, say
from sidewall.plots.style import INK, PAPER


@pytest.fixture
def ax():
    return plt.subplots(layout="constrained")[1]


def labelled(ax, label):
    (found,) = [line for line in ax.lines if line.get_label() == label]
    return found


def test_a_mark_stands_on_its_interval(ax):
    mark(ax, 2.0, (0.3, -0.1, 0.5), "gain")
    assert labelled(ax, "_gain").get_xydata().tolist() == [[0.3, 2.0]]
    assert labelled(ax, "_interval gain").get_xydata().tolist() == [[-0.1, 2.0], [0.5, 2.0]]


@pytest.mark.parametrize(("sure", "inside"), [(True, INK), (False, PAPER)])
def test_what_is_not_sure_is_hollow(ax, sure, inside):
    mark(ax, 0.0, (0.3, 0.1, 0.5), "one", sure=sure)
    assert labelled(ax, "_one").get_markerfacecolor() == inside
    assert labelled(ax, "_one").get_markeredgecolor() == INK


def test_what_stands_in_is_pale(ax):
    mark(ax, 0.0, (0.3, 0.1, 0.5), "own")
    mark(ax, 1.0, (0.3, 0.1, 0.5), "other", faint=True)
    own, other = (labelled(ax, f"_interval {name}").get_alpha() for name in ("own", "other"))
    assert other < own


def test_rows_are_named_from_the_top(ax):
    name_rows(ax, [(0.0, "first"), (-1.0, "second")], 0.5, -1.5)
    assert [text.get_text() for text in ax.get_yticklabels()] == ["first", "second"]
    assert ax.get_ylim() == (-1.5, 0.5)
    assert not ax.spines["left"].get_visible()


def test_marks_keep_to_the_left_and_words_to_the_right(ax):
    mark(ax, 0.0, (0.3, -1.0, 1.0), "widest")
    say(ax, 0.45, 0.0, "+0.3 (−1.0 to +1.0)")
    name_rows(ax, [(0.0, "Rowan")], 0.5, -0.5)
    left_part(ax, -1.0, 1.0, 0.4, "more won")
    ax.figure.canvas.draw()
    (words,) = ax.texts
    ends = labelled(ax, "_interval widest").get_window_extent()
    assert ends.x1 < words.get_window_extent().x0
    assert max(ax.get_xticks()) <= 1.0
    assert labelled(ax, "_zero").get_xdata()[0] == 0.0


def test_words_in_any_script_are_drawn_without_a_warning(ax):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        say(ax, 0.0, 0.0, "楢 \N{OGHAM LETTER BEITH}", weight="bold")
        name_rows(ax, [(0.0, "楢")], 0.5, -0.5)
        above(ax, 0.0, "◀ costs")
        ax.figure.canvas.draw()
