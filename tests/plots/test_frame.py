from __future__ import annotations

import warnings
from io import BytesIO

import pytest
from matplotlib import pyplot as plt
from matplotlib.figure import Figure

from sidewall.errors import DataError
from sidewall.plots.frame import (
    above,
    figure_of,
    frame,
    given,
    lay_out,
    left_part,
    lines,
    mark,
    name_rows,
    panels,
    say,
    width_in,
)
from sidewall.plots.style import INK, PAPER, new_axes


def test_panels_are_an_array_also_when_there_is_one():
    assert panels(1, 1, (3, 3)).shape == (1, 1)
    axes = panels(2, 3, (6, 4), height_ratios=[1, 2])
    assert axes.shape == (2, 3)
    assert list(figure_of(axes[0, 0]).get_size_inches()) == [6, 4]


def test_axes_that_are_given_are_counted():
    _, pair = plt.subplots(1, 2)
    assert list(given(pair, "two axes", 2)) == list(pair)
    assert list(given(pair[0], "one axes or two", 1, 2)) == [pair[0]]
    with pytest.raises(DataError, match="takes two axes; 1 given"):
        given(pair[0], "two axes", 2)


def test_a_figure_without_a_layout_gets_one_and_others_keep_theirs():
    figure, ax = plt.subplots()
    assert new_axes(ax) is ax
    assert figure.get_layout_engine() is not None
    tight, other = plt.subplots(layout="tight")
    engine = tight.get_layout_engine()
    new_axes(other)
    assert tight.get_layout_engine() is engine


def test_axes_of_no_figure_are_refused():
    _, ax = plt.subplots()
    ax.remove()
    with pytest.raises(DataError, match="taken out of their figure"):
        figure_of(ax)


def test_heading_and_small_print_are_broken_to_the_width():
    ax = panels(1, 1, (3, 3))[0, 0]
    frame(ax, "A heading that is longer than three inches can hold", "small " * 30)
    figure = figure_of(ax)
    figure.canvas.draw()
    assert "\n" in figure.get_suptitle()
    assert figure._suptitle.get_window_extent().x1 <= figure.bbox.width
    assert figure._supxlabel.get_window_extent().x1 <= figure.bbox.width


def test_a_heading_alone_leaves_no_small_print():
    ax = panels(1, 1, (3, 3))[0, 0]
    frame(ax, "Heading")
    assert figure_of(ax).get_supxlabel() == ""


def test_lines_fit_on_so_many_inches():
    found = lines("one two three four five six seven eight", 2.0)
    assert max(map(len, found)) <= 22
    assert " ".join(found) == "one two three four five six seven eight"
    assert lines("", 2.0) == [""]
    ax = plt.figure(figsize=(10, 2)).add_axes((0.1, 0.1, 0.5, 0.8))
    assert width_in(ax) == pytest.approx(5.0)


def test_a_figure_that_is_laid_out_is_drawn_once_a_saving(monkeypatch):
    figure = plt.figure(layout="constrained")
    ax = figure.subplots()
    ax.set_ylabel("so high\nthat two lines\nstand beside it", fontsize=20)
    before = ax.get_position().x0
    lay_out(figure)
    assert ax.get_position().x0 > before
    drawn = []
    plain = Figure.draw
    monkeypatch.setattr(Figure, "draw", lambda self, to: (drawn.append(self), plain(self, to)))
    figure.savefig(BytesIO(), format="svg")
    assert drawn == [figure]
    plt.close(figure)


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
