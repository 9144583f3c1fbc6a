import numpy as np
import pytest
from matplotlib import pyplot as plt

import sidewall as sw
from sidewall.decisions import decisions
from sidewall.errors import DataError
from sidewall.plots.decisions import plot_decisions
from sidewall.simulate import draw_players, round_robin, simulate_shots


@pytest.fixture(scope="module")
def table():
    names = ["Rowan", "Hazel", "Alder", "Willow", r"$\foo$"]
    players = draw_players(names, np.random.default_rng(5))
    shots = sw.shot_features(simulate_shots(players, round_robin(5, 5), rng=6))
    return decisions(shots, sw.TightnessModel(draws=200).fit(shots))


def cell(table, player="Rowan", side="backhand", family="ground"):
    own = table[(table["player"] == player) & (table["side"] == side)]
    return own[own["family"] == family]


def said(ax):
    return "\n".join(text.get_text() for text in ax.texts)


def test_a_panel_a_side_and_family_with_counts(table):
    panels = plot_decisions(table, "Rowan")
    assert panels.shape == (2, 2)
    assert [ax.get_title(loc="left") for ax in panels.flat] == [
        "Forehand after the bounce",
        "Backhand after the bounce",
        "Forehand volley",
        "Backhand volley",
    ]
    assert f"n = {len(cell(table)):,} shots" in said(panels[0, 1])


def test_dots_are_the_shares_attacked(table):
    ax = plot_decisions(table, "Rowan", "backhand", "ground")
    dots = next(one for one in ax.lines if one.get_marker() == "o")
    own = cell(table)
    first = own[own["gap_m"] < 0.1]
    assert dots.get_ydata()[0] == pytest.approx((first["choice"] == "attack").mean())
    assert dots.get_xdata()[0] == pytest.approx(0.05)


def test_bars_are_forced_from_below_and_passed_up_from_above(table):
    ax = plot_decisions(table, "Rowan", "backhand", "ground")
    own = cell(table)
    step = own[own["gap_m"] < 0.1]
    forced, passed = ax.containers[0], ax.containers[1]
    assert forced[0].get_height() == pytest.approx((step["decision"] == "forced").mean())
    assert all(bar.get_y() == 0.0 for bar in forced)
    for bar in passed:
        assert bar.get_y() + bar.get_height() == pytest.approx(1.0)


def test_the_band_is_the_thresholds_own_interval(table):
    known = table[table["status"] == "crosses"].iloc[0]
    where = known["player"], known["side"], known["family"]
    ax = plot_decisions(table, *where, unit="in")
    line = next(one for one in ax.lines if one.get_label() == "_threshold")
    assert line.get_xdata()[0] == pytest.approx(known["threshold_m"])
    (band,) = (one for one in ax.patches if one.get_label() == "_band")
    reach = table.loc[table["player"] == known["player"], "gap_m"].quantile(0.99)
    assert band.get_x() == pytest.approx(known["threshold_low_m"])
    assert band.get_x() + band.get_width() == pytest.approx(min(known["threshold_high_m"], reach))
    assert "(in)" in ax.get_xlabel()


def test_words_count_and_cost(table):
    own = cell(table)
    words = said(plot_decisions(table, "Rowan", "backhand", "ground"))
    n = (own["decision"] == "forced").sum()
    of = n + (own["decision"] == "reset tight").sum()
    assert f"forced: {n:,} of {of:,} tight" in words
    cost = -own.loc[own["decision"] == "passed up", "points"].sum()
    assert f"cost {cost:.1f}" in words


def test_it_draws_into_given_axes_and_odd_names(table):
    _, ax = plt.subplots()
    assert plot_decisions(table, r"$\foo$", "forehand", "ground", ax=ax) is ax
    plot_decisions(table, r"$\foo$")[0, 0].figure.canvas.draw()


def test_errors_say_the_mend(table):
    with pytest.raises(DataError, match="those who have"):
        plot_decisions(table, "Yew")
    with pytest.raises(DataError, match="there are: ground, volley"):
        plot_decisions(table, "Rowan", family="smash")
    with pytest.raises(DataError, match="one panel"):
        plot_decisions(table, "Rowan", ax=plt.subplots()[1])
    with pytest.raises(DataError, match="no column decision"):
        plot_decisions(table.drop(columns="decision"), "Rowan")


def test_a_bare_panel_leaves_the_words_to_what_stands_beside(table):
    full, bare = (
        plot_decisions(table, "Rowan", "backhand", "ground", bare=bare) for bare in (False, True)
    )
    assert "forced" in said(full)
    assert "forced" not in said(bare)
    assert f"n = {len(cell(table)):,} shots" in said(bare)
    assert bare.get_title(loc="left") == ""
    assert not [line for line in bare.lines if line.get_label() == "_threshold"]
