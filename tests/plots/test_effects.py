from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.combinations import BUILT_IN, effects
from sidewall.errors import DataError
from sidewall.plots import plot_effects
from sidewall.plots.words import difference_words
from sidewall.simulate import draw_players, round_robin, simulate_shots


@pytest.fixture(scope="module")
def table():
    players = draw_players(["Rowan", "Hazel", "Alder", "Willow"], np.random.default_rng(5))
    shots = simulate_shots(players, round_robin(4, 4), rng=6)
    return effects(list(BUILT_IN.values()), shots, by="player", permutations=49)


def row(player="Rowan", at=0.1, low=0.02, high=0.18, status="gains", **more):
    return {
        "combination": "drive then drop", "player": player, "status": status,
        "played_on": 1234, "another_way": 56, "n_rallies": 200,
        "difference": at, "difference_low": low, "difference_high": high, **more,
    }  # fmt: skip


def said(ax):
    return [text.get_text() for text in ax.texts]


def marks(ax):
    return [one for one in ax.lines if str(one.get_label()).startswith("_difference")]


def test_a_mark_an_interval_and_words_for_every_line_with_enough(table):
    ax = plot_effects(table)
    known = table[table["status"] != "too few"]
    assert 0 < len(known) < len(table)
    drawn = sorted(float(one.get_xdata()[0]) for one in marks(ax))
    assert drawn == pytest.approx(sorted(100.0 * known["difference"]))
    for one in known.to_dict("records"):
        ends = (100.0 * one[f"difference{end}"] for end in ("", "_low", "_high"))
        assert difference_words(ends) in said(ax)
    lines = [one for one in ax.lines if str(one.get_label()).startswith("_interval")]
    lows = sorted(float(one.get_xdata()[0]) for one in lines)
    assert lows == pytest.approx(sorted(100.0 * known["difference_low"].clip(-0.6)))


def test_too_few_is_said_with_n_and_not_drawn(table):
    few = table[table["status"] == "too few"]
    ax = plot_effects(few)
    assert said(ax).count("too few") == len(few) > 0
    assert marks(ax) == []
    for one in few.to_dict("records"):
        assert f"{one['played_on']:,} / {one['another_way']:,}" in said(ax)


def test_players_stand_beside_their_lines_and_combinations_above(table):
    ax = plot_effects(table)
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == table["player"].tolist()
    assert set(table["combination"]) <= set(said(ax))
    alone = plot_effects(table[table["combination"] == "length then volley"])
    assert "length then volley" not in said(alone)
    assert "Length then volley" in alone.figure.get_suptitle()


def test_filled_only_where_it_holds_after_adjusting():
    rows = [row(p_adjusted=0.01), row("Hazel", p_adjusted=0.3), row(None, p_adjusted=np.nan)]
    ax = plot_effects(pd.DataFrame(rows))
    filled = [one.get_markerfacecolor() == one.get_color() for one in marks(ax)]
    assert filled == [True, False, False]
    assert [one.get_marker() for one in marks(ax)] == ["o", "o", "D"]
    assert "all 2 lines" in ax.figure.get_supxlabel().replace("\n", " ")


def test_a_table_that_was_not_adjusted_fills_nothing():
    ax = plot_effects(pd.DataFrame([row(p=0.001)]))
    assert marks(ax)[0].get_markerfacecolor() != marks(ax)[0].get_color()
    assert "not adjusted" in ax.figure.get_supxlabel().replace("\n", " ")


def test_zero_is_drawn_and_words_keep_clear_of_the_dots(table):
    ax = plot_effects(table)
    assert [one.get_xdata()[0] for one in ax.lines if one.get_label() == "_zero"] == [0.0]
    ax.figure.canvas.draw()
    right = max(one.get_window_extent().x1 for one in ax.lines if one.get_label() != "_zero")
    numbers = [text for text in ax.texts if " to " in text.get_text()]
    counts = [text for text in ax.texts if " / " in text.get_text() and "n " not in text.get_text()]
    assert right < min(text.get_window_extent().x0 for text in numbers)
    ends = max(text.get_window_extent().x1 for text in numbers)
    assert ends < min(text.get_window_extent().x0 for text in counts)
    assert max(text.get_window_extent().x1 for text in counts) <= ax.figure.bbox.x1


def test_it_goes_into_axes_given():
    figure, ax = plt.subplots()
    assert plot_effects(pd.DataFrame([row()]), ax=ax) is ax
    assert figure.get_suptitle() == ""
    assert "drive then drop" in said(ax)


def test_other_tables_are_refused():
    with pytest.raises(DataError, match="no column difference_low"):
        plot_effects(pd.DataFrame([row()]).drop(columns="difference_low"))
    with pytest.raises(DataError, match="is empty"):
        plot_effects(pd.DataFrame([row()]).iloc[:0])
