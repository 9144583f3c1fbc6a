import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.errors import DataError
from sidewall.plots.worklist import plot_work_list


def row(item="length", gain=0.4, low=0.1, high=0.8, status="worth training", **more):
    return {
        "player": "Rowan", "item": item, "title": f"Title of {item}", "points_per_game": gain,
        "points_per_game_low": low, "points_per_game_high": high,
        "effort": 3.0, "first_in": 0.61, "status": status,
        "n_shots": 1234, "n_rallies": 200, **more,
    }  # fmt: skip


@pytest.fixture
def table():
    return pd.DataFrame(
        [
            row(),
            row("repeats", 0.2, -0.1, 0.5, "may be nothing", first_in=0.39),
            row("forced", -0.001, -0.01, 0.02, "too small to matter", first_in=0.0),
            row("volley_forehand", *[np.nan] * 3, "not known yet", first_in=np.nan, n_shots=3),
        ]
    )


def marks(ax, kind):
    return {
        str(one.get_label()).split()[-1]: one
        for one in ax.lines
        if str(one.get_label()).startswith(f"_{kind}")
    }


def said(ax):
    return [text.get_text() for text in ax.texts]


def test_a_dot_and_an_interval_for_what_is_known(table):
    ax = plot_work_list(table)
    dots, lines = marks(ax, "gain"), marks(ax, "interval")
    assert set(dots) == set(lines) == {"length", "repeats", "forced"}
    assert dots["length"].get_xdata()[0] == 0.4
    assert list(lines["repeats"].get_xdata()) == [-0.1, 0.5]
    # filled only where it is surely above nothing
    assert dots["length"].get_markerfacecolor() == dots["length"].get_color()
    assert dots["repeats"].get_markerfacecolor() != dots["repeats"].get_color()


def test_words_give_interval_rank_certainty_effort_and_n(table):
    words = said(plot_work_list(table))
    assert "0.40 (0.10 to 0.80)  ·  61%  ·  3" in words
    assert "0.00 (−0.01 to 0.02)  ·  0%  ·  3" in words
    assert "n = 1,234 shots in 200 rallies" in words
    assert "not known yet" in words


def test_rounding_never_hides_on_which_side_of_nothing_an_end_lies(table):
    table.loc[1, ["points_per_game", "points_per_game_low"]] = 0.08, -0.002
    assert "0.08 (−0.002 to 0.50)  ·  39%  ·  3" in said(plot_work_list(table))


def test_the_first_item_stands_on_top(table):
    ax = plot_work_list(table)
    assert ax.get_yticklabels()[0].get_text() == "Title of length"
    assert ax.get_ylim()[0] > ax.get_ylim()[1]


def test_more_items_than_fit_are_said(table):
    figure = plot_work_list(table, most=2).figure
    assert "2 more items" in figure.get_supxlabel()


def test_one_player_of_several(table):
    both = pd.concat([table, table.assign(player="Hazel", points_per_game=0.3)])
    with pytest.raises(DataError, match="2 players"):
        plot_work_list(both)
    ax = plot_work_list(both, "Hazel", ax=plt.subplots()[1])
    assert marks(ax, "gain")["length"].get_xdata()[0] == 0.3


def test_errors_say_what_is_missing(table):
    with pytest.raises(DataError, match="first_in"):
        plot_work_list(table.drop(columns="first_in"))
    with pytest.raises(DataError, match="no item"):
        plot_work_list(table.head(0))
