from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.court.units import GapWords
from sidewall.errors import DataError, UnitError
from sidewall.plots.progress import change_words, plot_progress
from sidewall.progress.compare import COLUMNS


def row(measure, unit, before, after, verdict, **more):
    half = 0.1 if np.isfinite(before) else np.nan
    made = dict.fromkeys(COLUMNS, np.nan) | {
        "player": "Rowan", "measure": measure, "side": "backhand", "family": "", "unit": unit,
        "before": before, "before_low": before - half, "before_high": before + half,
        "after": after, "after_low": after - half, "after_high": after + half,
        "change": after - before, "change_low": after - before - half,
        "change_high": after - before + half,
        "verdict": verdict, "smallest_change": 1.4 * half, "p": 0.01 if half > 0 else np.nan,
        "matters": 0.4, "n_before": 1200, "n_after": 310,
    }  # fmt: skip
    return made | more


@pytest.fixture
def table():
    return pd.DataFrame(
        [
            row("threshold", "m", 0.5, 0.3, "better", family="volley"),
            row("threshold", "m", np.nan, np.nan, "not known yet", family="ground"),
            row("comfort", "share", 0.04, 0.01, "no change that matters", family="ground"),
            row("on target", "share", 0.4, 0.45, "no change that matters"),
            row("forced", "share", 0.2, 0.5, "worse", side=""),
        ]
    )


def labels(ax):
    return [line.get_label() for line in ax.lines if not line.get_label().startswith("_interval")]


def test_thresholds_and_shares_have_a_panel_each(table):
    axes = plot_progress(table)
    assert axes.shape == (2,)
    assert labels(axes[0]) == ["_before threshold, backhand volley",
                               "_after threshold, backhand volley"]  # fmt: skip
    dots = {line.get_label(): line.get_xdata()[0] for line in axes[1].lines}
    assert dots["_after on target, backhand"] == 0.45
    assert dots["_before tight balls attacked"] == 0.2
    ticks = [tick.get_text() for tick in axes[0].get_yticklabels()]
    assert ticks == ["before, n = 1,200", "after, n = 310"] * 2
    assert "4 comparisons" in axes[0].figure._supxlabel.get_text().replace("\n", " ")


def test_what_is_said(table):
    words = GapWords("cm")
    said = [change_words(one, words) for one in table.to_dict("records")]
    assert said == [
        "better: −20 cm (−30 to −10)",
        "not known yet",
        "no change that matters: −3 in 100 (−13 to +7)",
        "no change that matters: +5 in 100 (−5 to +15)",
        "worse: +30 in 100 (+20 to +40)",
    ]
    drawn = [text.get_text() for ax in plot_progress(table, unit="in") for text in ax.texts]
    assert "better: −8 in (−12 to −4)" in drawn


def test_the_words_fit_a_narrow_page(table):
    axes = plot_progress(table)
    figure = axes[0].figure
    figure.canvas.draw()
    width = figure.bbox.width
    assert figure.get_figwidth() <= 6.0
    for ax in axes:
        for text in [*ax.texts, *ax.get_yticklabels(), ax.xaxis.label]:
            box = text.get_window_extent()
            assert box.x0 >= 0
            assert box.x1 <= width


def test_own_axes_are_drawn_into(table):
    _, axes = plt.subplots(2)
    assert plot_progress(table, ax=axes)[0] is axes[0]
    _, one = plt.subplots()
    assert plot_progress(table[table["unit"] == "share"], ax=[one])[0] is one
    with pytest.raises(DataError, match="takes 2 axes; 1 given"):
        plot_progress(table, ax=[one])


def test_what_cannot_be_drawn_is_refused(table):
    with pytest.raises(DataError, match="is empty"):
        plot_progress(table[:0])
    with pytest.raises(DataError, match="no column verdict"):
        plot_progress(table.drop(columns="verdict"))
    with pytest.raises(DataError, match="2 players"):
        plot_progress(pd.concat([table, table.assign(player="Hazel")]))
    with pytest.raises(UnitError, match="width of a board"):
        plot_progress(table, unit="boards")
