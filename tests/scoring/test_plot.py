import numpy as np
import pytest
from matplotlib import pyplot as plt

from sidewall.errors import DataError
from sidewall.plots.scoring import plot_match_win_probability
from sidewall.plots.style import luminance
from sidewall.scoring import HandInHandOut, Match, PointARally

plt.switch_backend("Agg")


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    plt.close("all")


def curves(ax):
    return {
        line.get_label(): line for line in ax.get_lines() if not line.get_label().startswith("_")
    }


def test_curves_are_the_probabilities():
    axes = plot_match_win_probability()
    assert [ax.get_title(loc="left").split("\n")[0] for ax in axes] == [
        "Best of five",
        "Best of three",
    ]
    games = [PointARally(11), PointARally(15), HandInHandOut(9)]
    for ax, best_of in zip(axes, (5, 3), strict=True):
        assert list(curves(ax)) == ["to 11", "to 15", "hand-in-hand-out to 9"]
        for line, game in zip(curves(ax).values(), games, strict=True):
            share, won = line.get_data()
            assert (share[0], share[-1]) == pytest.approx((30, 70))
            exact = Match(game, best_of).match_win_probability(share / 100, share / 100)
            other = Match(game, best_of).match_win_probability(
                share / 100, share / 100, serving=False
            )
            np.testing.assert_allclose(won, 50 * (exact + other), atol=1e-9)


def test_half_lines_names_and_heights():
    ax = plot_match_win_probability(best_of=5)
    halves = [line for line in ax.get_lines() if line.get_label().startswith("_half")]
    assert sorted(line.get_label() for line in halves) == [
        "_half of the matches",
        "_half of the rallies",
    ]
    assert {t.get_text() for t in ax.texts} == {
        "to 11 (82%)",
        "to 15 (85%)",
        "hand-in-hand-out to 9 (87%)",
    }


def test_names_point_at_their_own_curve_and_do_not_overlap():
    for ax in plot_match_win_probability():
        for text in ax.texts:
            line = curves(ax)[text.get_text().rsplit(" (", 1)[0]]
            x, y = text.xy
            assert np.interp(x, *line.get_data()) == pytest.approx(y, abs=0.1)
        ax.figure.canvas.draw()
        boxes = [t.get_window_extent() for t in ax.texts]
        for i, box in enumerate(boxes):
            assert not any(box.overlaps(other) for other in boxes[:i])
            assert ax.get_window_extent().contains(*box.min)
            assert ax.get_window_extent().contains(*box.max)


def test_told_apart_without_colour():
    styles = [
        (round(luminance(line.get_color()), 1), line.is_dashed())
        for line in curves(plot_match_win_probability(best_of=3)).values()
    ]
    assert len(set(styles)) == 3


def test_own_axes_and_systems():
    _, ax = plt.subplots()
    systems = {"one clear": PointARally(11, clear=1)}
    drawn = plot_match_win_probability(ax, systems, best_of=1, share=(0.4, 0.52), read_at=0.45)
    assert drawn is ax
    assert list(curves(ax)) == ["one clear"]
    assert ax.get_title(loc="left").startswith("One game")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"systems": {}}, "names 0 systems"),
        ({"systems": {"to 11": 11}}, r"systems\['to 11'\] is 11"),
        ({"share": (0.7, 0.3)}, "rising order"),
        ({"read_at": 0.8}, "read_at=0.8"),
        ({"best_of": 4}, "best_of=4 is even"),
        ({"best_of": ()}, "names no length of match"),
    ],
)
def test_refusals(arguments, words):
    with pytest.raises(DataError, match=words):
        plot_match_win_probability(**arguments)


def test_two_panels_do_not_fit_one_axes():
    _, ax = plt.subplots()
    with pytest.raises(DataError, match="give a single best_of"):
        plot_match_win_probability(ax)
