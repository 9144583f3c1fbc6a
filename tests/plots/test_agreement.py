from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall import simulate
from sidewall.agreement import Agreement
from sidewall.errors import DataError, NotFittedError, UnitError
from sidewall.plots.agreement import plot_agreement
from sidewall.plots.style import luminance
from sidewall.simulate.charter import second_charter


@pytest.fixture(scope="module")
def agreement():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    shots = simulate.simulate_shots(players, [(0, 1)], rng=21)
    return Agreement(draws=200).fit(shots, second_charter(shots, miss=0.02, confuse=0.1, seed=3))


def labelled(ax, label):
    (found,) = [x for x in (*ax.lines, *ax.collections, *ax.patches) if x.get_label() == label]
    return found


def test_dots_are_differences_against_means(agreement):
    gaps, _ = plot_agreement(agreement)
    both = agreement.aligned_.dropna(subset=["gap_m_first", "gap_m_second"])
    dots = labelled(gaps, "_balls")
    shown = np.column_stack([dots.get_xdata(), dots.get_ydata()])
    shown = shown[~np.isnan(shown).any(axis=1)]
    one, two = both["gap_m_first"].to_numpy(), both["gap_m_second"].to_numpy()
    np.testing.assert_allclose(shown, np.column_stack([(one + two) / 2, one - two]))
    x, y = gaps.get_xlim(), gaps.get_ylim()
    assert (shown[:, 0] <= x[1]).all()
    assert (np.abs(shown[:, 1]) < y[1]).all()


def test_lines_are_bias_and_limits(agreement):
    gaps, _ = plot_agreement(agreement)
    row = agreement.limits_.set_index("column").loc["gap_m"]
    for name in ("bias", "lower", "upper"):
        assert labelled(gaps, f"_{name}").get_ydata()[0] == pytest.approx(row[f"{name}_m"])
        band = labelled(gaps, f"_{name} interval").get_window_extent()
        ends = gaps.transData.inverted().transform([(0, band.y0), (0, band.y1)])[:, 1]
        np.testing.assert_allclose(ends, row[[f"{name}_low_m", f"{name}_high_m"]].astype(float))
    said = " ".join(text.get_text() for text in gaps.texts)
    assert f"upper limit +{100 * row['upper_m']:.1f}" in said


def test_cells_hold_the_counts_and_the_diagonal_is_pale(agreement):
    _, words = plot_agreement(agreement, "contact")
    table = agreement.tables_["contact"].to_numpy()
    written = {(t.get_position()[1], t.get_position()[0]): t.get_text() for t in words.texts}
    for (i, j), n in np.ndenumerate(table):
        assert written[i + 0.5, j + 0.5] == (f"{n:,}" if n else "")
    share = labelled(words, "_cells").get_array().reshape(table.shape)
    assert (np.diag(share) == 0).all()
    wanted = table / table.sum(axis=1, keepdims=True)
    off = ~np.eye(len(table), dtype=bool)
    np.testing.assert_allclose(share[off], wanted[off])
    row = agreement.words_.set_index("column").loc["contact"]
    assert f"kappa {row['kappa']:.2f}" in words.get_title(loc="left")
    assert f"n = {row['n_shots']:,}" in words.get_title(loc="left")


def test_numbers_read_on_their_cells_in_grey(agreement):
    _, words = plot_agreement(agreement)
    mesh = labelled(words, "_cells")
    words.figure.canvas.draw()
    k = len(words.get_xticks())
    colours = mesh.get_facecolor().reshape(k, k, 4)
    for text in words.texts:
        x, y = text.get_position()
        paper, ink = luminance(colours[int(y), int(x)][:3]), luminance(text.get_color())
        contrast = (max(paper, ink) + 0.05) / (min(paper, ink) + 0.05)
        assert contrast > 4.5


@pytest.mark.parametrize("table", ["beside", "below"])
@pytest.mark.parametrize("column", ["stroke", "ending", "contact"])
def test_words_stay_inside(agreement, table, column):
    pair = plot_agreement(agreement, column, table=table)
    figure = pair[0].figure
    figure.canvas.draw()
    texts = [*figure.texts, figure._suptitle, figure._supxlabel]
    for ax in pair:
        texts += [*ax.texts, ax._left_title, ax.xaxis.label, ax.yaxis.label, *ax.get_yticklabels()]
    for text in texts:
        box = text.get_window_extent()
        assert box.x0 >= 0, text.get_text()
        assert box.x1 <= figure.bbox.width, text.get_text()
    assert (figure.get_figwidth() < 5) == (table == "below")


def test_units(agreement):
    gaps, _ = plot_agreement(agreement, unit="inches", board_width_m=0.09)
    assert gaps.get_xlabel() == "gap, mean of the two (in)"
    assert gaps.get_ylabel() == "first less second (in)"
    assert gaps.get_title(loc="left").splitlines()[0].endswith(" in")
    with pytest.raises(UnitError):
        plot_agreement(agreement, unit="boards")


def test_little_is_said_to_be_little():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    shots = simulate.simulate_shots(players, [(0, 1)], rng=21)
    few = shots[(shots["game"] == 1) & (shots["rally"] <= 3)].reset_index(drop=True)
    pair = plot_agreement(Agreement(draws=50).fit(few, few))
    assert all("not known yet" in ax.get_title(loc="left") for ax in pair)
    assert not [line for line in pair[0].lines if line.get_label() == "_bias"]


def test_axes_given_are_used_and_refusals(agreement):
    _, axes = plt.subplots(1, 2)
    assert list(plot_agreement(agreement, ax=axes)) == list(axes)
    with pytest.raises(NotFittedError):
        plot_agreement(Agreement())
    with pytest.raises(DataError, match=r"'grip'.*stroke"):
        plot_agreement(agreement, "grip")
    with pytest.raises(DataError, match="'above'"):
        plot_agreement(agreement, table="above")
    with pytest.raises(DataError, match="two axes"):
        plot_agreement(agreement, ax=axes[:1])


@pytest.mark.filterwarnings("error")
def test_logs_of_serves_alone_are_drawn_without_a_warning():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    shots = simulate.simulate_shots(players, [(0, 1)] * 2, rng=21)
    serves = shots[shots["shot"] == 1].copy()
    serves["ending"] = pd.Categorical(["winner"] * len(serves), shots["ending"].cat.categories)
    serves["rally_won_by"] = serves["player"]
    plot_agreement(Agreement(draws=50).fit(serves, serves))
