from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.combinations import RepeatOrVary
from sidewall.errors import DataError, NotFittedError
from sidewall.features import shot_features
from sidewall.plots import plot_repeat
from sidewall.plots.repeat import repeat_words
from sidewall.simulate import draw_players, round_robin, simulate_shots


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", "Alder"], np.random.default_rng(5))
    return shot_features(simulate_shots(players, round_robin(3, 6), rng=6))


@pytest.fixture(scope="module")
def model(shots):
    return RepeatOrVary(most=4).fit(shots)


@pytest.fixture(scope="module")
def learnt(shots):
    """The same log, but varying wins the rally from three repeats on, and loses it before."""
    from sidewall.combinations import repeat_or_vary  # noqa: PLC0415 - for its rows alone

    planted = RepeatOrVary(most=4)
    rows = repeat_or_vary.repeat_rows(shots, 4)
    used = rows.used
    chance = 0.5 + 0.16 * (used["repeats"] - 2.5) * np.where(used["repeated"] == 1, -1.0, 1.0)
    won = np.random.default_rng(7).random(len(used)) < chance
    used["won"] = won.astype(np.float64)
    used["rally_id"] = np.arange(len(used))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(repeat_or_vary, "repeat_rows", lambda *_: rows)
        return planted.fit(shots)


def said(ax):
    return [text.get_text() for text in ax.texts]


def line(ax, label):
    return next(one for one in ax.lines if one.get_label() == label)


@pytest.mark.parametrize("player", [None, "Rowan"])
def test_lines_are_the_curves(model, player):
    ax = plot_repeat(model, player)
    curves = model.curves()
    mine = curves[curves["player"].isna() if player is None else curves["player"] == player]
    for kind in ("repeated", "varied"):
        wanted = 100 * mine.loc[mine["reply"] == kind, "win"].to_numpy()
        assert line(ax, f"_curve {kind}").get_ydata() == pytest.approx(wanted)
    assert line(ax, "_curve repeated").get_linestyle() != line(ax, "_curve varied").get_linestyle()


def test_dots_are_the_counts_and_n_stands_below(model):
    ax = plot_repeat(model)
    drawn = model.counts_[model.counts_["n_rallies"] >= 10]
    for kind in ("repeated", "varied"):
        wanted = 100 * drawn.loc[drawn["reply"] == kind, "win_rate"].to_numpy()
        assert line(ax, f"_dots {kind}").get_ydata() == pytest.approx(wanted)
    words = said(ax)
    assert all(f"{n:,}" in words for n in model.counts_["n_shots"])
    assert {"n repeat", "n vary", "repeat", "vary"} <= set(words)


def test_a_players_counts_are_the_players(model):
    words = said(plot_repeat(model, "Rowan"))
    own = model.used_[model.used_["player"].astype(str) == "Rowan"]
    for (_, _), n in own.groupby(["repeats", "repeated"]).size().items():
        assert f"{n:,}" in words


def test_an_open_answer_is_said_and_nothing_is_marked(model):
    assert model.answers()["status"][0] == "not known yet"
    ax = plot_repeat(model)
    assert "When to vary: not known yet" in said(ax)
    assert "_even" not in [one.get_label() for one in ax.lines]
    assert "is not known yet" in ax.figure.get_supxlabel().replace("\n", " ")


def test_a_number_of_repeats_is_marked_with_its_interval(learnt):
    answer = learnt.answers().iloc[0]
    assert answer["status"] == "vary from here on"
    ax = plot_repeat(learnt)
    assert list(line(ax, "_even").get_xdata()) == [answer["repeats"]] * 2
    (band,) = [part for part in ax.patches if part.get_label() == "_set"]
    assert band.get_x() == pytest.approx(answer["repeats_low"])
    assert band.get_x() + band.get_width() == pytest.approx(answer["repeats_high"])
    assert "Varying is better from 3 repeats on" in ax.figure.get_supxlabel().replace("\n", " ")


@pytest.mark.parametrize(
    ("status", "ends", "words"),
    [
        ("vary from here on", (2.4, 1.8, 3.5), "from 3 repeats on (even at 2.4, 1.8 to 3.5)"),
        ("vary after any number", (np.nan,) * 3, "Varying is better after any number"),
        ("repeat after any number", (np.nan,) * 3, "Repeating is better after any number"),
        ("not known yet", (np.nan, np.nan, 4.2), "but above 4.2 it is"),
        ("not known yet", (np.nan, 2.2, np.nan), "but below 2.2 repeating is better"),
        ("not known yet", (np.nan,) * 3, "is not known yet."),
    ],
)
def test_answers_in_words(status, ends, words):
    answer = dict(zip(("repeats", "repeats_low", "repeats_high"), ends, strict=True), status=status)
    assert words in repeat_words(answer, 6)


def test_names_of_the_lines_do_not_meet(model):
    for player in (None, "Rowan"):
        ax = plot_repeat(model, player)
        ax.figure.canvas.draw()
        one, two = (t.get_window_extent() for t in ax.texts if t.get_text() in ("repeat", "vary"))
        assert not one.overlaps(two)


def test_axes_given_and_refusals(model):
    figure, ax = plt.subplots()
    assert plot_repeat(model, ax=ax) is ax
    assert figure.get_suptitle() == ""
    with pytest.raises(DataError, match="Aspen"):
        plot_repeat(model, "Aspen")
    with pytest.raises(NotFittedError):
        plot_repeat(RepeatOrVary())
    assert isinstance(model.counts_, pd.DataFrame)
