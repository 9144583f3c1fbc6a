from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

from sidewall.court.units import GapWords
from sidewall.errors import DataError, NotFittedError, UnitError
from sidewall.features import shot_features
from sidewall.models import TightnessModel
from sidewall.plots import plot_threshold
from sidewall.plots.threshold import ThresholdTables, draw_threshold, stretches, sure_words
from sidewall.simulate import draw_players, round_robin, simulate_shots

NAMES = ["Rowan", "Hazel", "Al$d$er", "Willow"]


@pytest.fixture(scope="module")
def shots():
    players = draw_players(NAMES, np.random.default_rng(5))
    return simulate_shots(players, round_robin(4, 9), rng=6)


@pytest.fixture(scope="module")
def model(shots):
    return TightnessModel(draws=200).fit(shots)


@pytest.fixture(scope="module")
def crossing(model):
    """A player, side and family with a threshold; there must be one."""
    found = model.thresholds().query("status == 'crosses'")
    assert len(found)
    return found.iloc[0]


@pytest.fixture(scope="module")
def open_answer(model):
    found = model.thresholds().query("status == 'not known yet'")
    assert len(found)
    return found.iloc[0]


def said(ax):
    return "\n".join(text.get_text() for text in ax.texts)


def labelled(ax, label):
    found = [one for one in (*ax.lines, *ax.collections) if one.get_label() == label]
    assert len(found) == 1, label
    return found[0]


def panel(model, row, **options):
    return plot_threshold(model, row["player"], row["side"], row["family"], **options)


def test_four_panels_families_by_sides(model):
    axes = plot_threshold(model, "Rowan")
    assert axes.shape == (2, 2)
    names = [said(ax).split("\n") for ax in axes.flat]
    for name, words in zip(
        ["Forehand after the bounce", "Backhand after the bounce", "Forehand volley",
         "Backhand volley"], names, strict=True,
    ):  # fmt: skip
        assert name in words
    assert axes[0, 0].get_xlim() == axes[1, 1].get_xlim()
    assert "Rowan" in axes[0, 0].figure.get_suptitle()
    assert "95% intervals" in axes[0, 0].figure.get_supxlabel()


def test_the_line_stands_at_the_threshold_and_the_span_is_its_interval(model, crossing):
    ax = panel(model, crossing)
    assert isinstance(ax, Axes)
    line = labelled(ax, "_threshold")
    assert np.unique(line.get_xdata()) == pytest.approx([crossing["threshold_m"]])
    span = labelled(ax, "_interval").get_paths()[0].get_extents()
    low, high = crossing["threshold_low_m"], crossing["threshold_high_m"]
    assert (span.x0, span.x1) == pytest.approx((low, high))
    centimetres = f"{100 * crossing['threshold_m']:.0f} cm"
    ends = f"({100 * low:.0f} to {100 * high:.0f})"
    assert f"Attack from {centimetres} {ends}" in said(ax)


def test_a_rule_that_is_a_guess_is_dashed_and_shaded_to_the_open_ends(model, crossing, open_answer):
    rules = model.rule()
    sure, guess = (panel(model, row, rule=rules) for row in (crossing, open_answer))
    assert labelled(sure, "_rule").get_linestyle() == "-"
    line = labelled(guess, "_rule")
    assert line.get_linestyle() == "--"
    assert line.get_alpha() < 1
    assert line.get_linewidth() < labelled(sure, "_rule").get_linewidth()
    span = labelled(guess, "_interval").get_paths()[0].get_extents()
    low, high, widest = open_answer[["threshold_low_m", "threshold_high_m", "gap_max_m"]]
    ends = 0.0 if np.isnan(low) else low, widest if np.isnan(high) else high
    assert (span.x0, span.x1) == pytest.approx(ends)


def test_the_clubs_answer_is_not_said_where_own_shots_are_few(model):
    tables = ThresholdTables(model.thresholds(), model.curves(), model.used_)
    words = GapWords("cm", None)
    cells = model.thresholds().query("status == 'not known yet' or status == 'crosses'")
    for row in cells.to_dict("records"):
        own = {
            name: table[table["player"].astype(str) == row["player"]]
            for name, table in vars(tables).items()
            if isinstance(table, pd.DataFrame)
        }
        own["answers"] = own["answers"].assign(
            status="not known yet", threshold_low_m=np.nan, threshold_high_m=np.nan
        )
        cell = row["side"], row["family"]
        if "right 4 times in 5" in said(draw_threshold(ThresholdTables(**own), *cell, words)):
            own["answers"] = own["answers"].assign(n_attack=4)
            few = draw_threshold(ThresholdTables(**own), *cell, words)
            assert "right 4 times in 5" not in said(few)
            return
    pytest.fail("no cell in which the curves say more")


def test_a_lower_level_gives_a_shorter_span(model, crossing):
    wide, narrow = (
        labelled(panel(model, crossing, level=level), "_interval").get_paths()[0].get_extents()
        for level in (0.95, 0.5)
    )
    assert narrow.width < 0.6 * wide.width


def test_counts_are_said(model, crossing):
    n = crossing[["n_attack", "n_reset", "n_rallies"]].tolist()
    wanted = f"n = {n[0]:,} attacks, {n[1]:,} resets, {n[2]:,} rallies"
    assert wanted in said(panel(model, crossing))


def test_curves_are_the_models_and_end_at_the_widest_gap(model, crossing):
    ax = panel(model, crossing)
    table = model.curves()
    for key in ("player", "side", "family"):
        table = table[table[key] == crossing[key]]
    for choice in ("attack", "reset"):
        line = labelled(ax, choice)
        np.testing.assert_allclose(line.get_xdata(), table["gap_m"])
        np.testing.assert_allclose(line.get_ydata(), 100 * table[choice])
    drawn = [line.get_xdata() for line in ax.lines]
    assert max(np.max(x) for x in drawn) <= crossing["gap_max_m"]


def test_bands_hold_their_curve_and_stay_within_0_to_100(model, crossing):
    ax = panel(model, crossing)
    curves = {choice: labelled(ax, choice).get_ydata() for choice in ("attack", "reset")}
    edges = [line.get_ydata() for line in ax.lines if len(line.get_xdata()) > 10]
    assert len(edges) == 6
    assert all((y >= 0).all() and (y <= 100).all() for y in edges)
    for low, high, mid in (edges[:3], edges[3:]):
        assert (low <= mid).all()
        assert (mid <= high).all()
        assert any(np.array_equal(mid, one) for one in curves.values())


def test_attacks_lie_along_the_top_and_resets_along_the_bottom(model, crossing):
    ax = panel(model, crossing)
    used = model.used_
    for key in ("player", "side", "family"):
        used = used[used[key].astype(str) == crossing[key]]
    for choice in ("attack", "reset"):
        segments = labelled(ax, f"_{choice} shots").get_segments()
        gaps = used.loc[used["choice"] == choice, "gap_m"]
        gaps = gaps[gaps <= crossing["gap_max_m"]]
        np.testing.assert_allclose([one[0, 0] for one in segments], gaps)
        heights = np.array([one[:, 1] for one in segments])
        assert (heights > 100).all() if choice == "attack" else (heights < 0).all()


def test_the_bar_follows_the_confidence_that_attacking_is_better(model, crossing):
    ax = panel(model, crossing)
    strips = [one for one in ax.collections if one.get_label() == "_strip attack"]
    bars = sorted((one.get_paths()[0].get_extents() for one in strips), key=lambda bar: bar.x0)
    curve = model.curves()
    for key in ("player", "side", "family"):
        curve = curve[curve[key] == crossing[key]]
    sure = curve["p_attack_sure"].to_numpy() >= 0.8
    assert 0 < sure.sum() < len(sure)
    begins = curve["gap_m"].to_numpy()[np.flatnonzero(np.diff(sure, prepend=False) & sure)]
    np.testing.assert_allclose([bar.x0 for bar in bars], begins)
    assert bars[-1].x1 == pytest.approx(crossing["gap_max_m"])
    # said of the last stretch: before it there may be gaps at which nothing is sure
    assert f"attack is right 4 times in 5 from {100 * bars[-1].x0:.0f} cm" in said(ax)
    without = panel(model, crossing, strip=False)
    assert not [one for one in without.collections if "strip" in str(one.get_label())]


def test_an_open_answer_says_how_many_shots_would_settle_it(model, open_answer):
    ax = panel(model, open_answer)
    assert "Not known yet:" in said(ax)
    assert "more shots" in said(ax)
    assert not [line for line in ax.lines if line.get_label() == "_threshold"]


def test_a_player_without_such_shots_gets_no_curves(shots):
    features = shot_features(shots)
    volleys = (features["player"] == "Rowan") & (features["family"] == "volley")
    model = TightnessModel(draws=200).fit(features, keep=~volleys)
    ax = plot_threshold(model, "Rowan", "forehand", "volley")
    assert "No such shot charted" in said(ax)
    assert "n = 0 attacks, 0 resets, 0 rallies" in said(ax)
    assert not ax.lines
    assert not ax.collections


def test_a_log_without_contact_has_one_row_of_all_strokes(shots):
    model = TightnessModel(draws=200).fit(shots.drop(columns="contact"))
    axes = plot_threshold(model, "Rowan")
    assert axes.shape == (1, 2)
    assert "Forehand, all strokes" in said(axes[0, 0])
    assert isinstance(plot_threshold(model, "Rowan", "backhand"), Axes)


def test_boards_stand_on_a_second_axis_where_all_matches_share_a_width(shots):
    def seconds(widths):
        table = shots.assign(board_width_m=widths)
        model = TightnessModel(draws=200).fit(table)
        return plot_threshold(model, "Rowan", "forehand", "ground").child_axes

    assert [ax.get_xlabel() for ax in seconds(0.07)] == ["floorboards"]
    halves = np.where(shots["match"].cat.codes < 9, 0.07, 0.08)
    assert seconds(halves) == []
    assert seconds(np.nan) == []


def test_a_width_given_counts_and_boards_can_be_the_unit(model, crossing):
    assert panel(model, crossing, board_width_m=0.08).child_axes
    ax = panel(model, crossing, unit="boards", board_width_m=0.08)
    assert ax.get_xlabel() == "gap to the side wall (floorboards)"
    assert f"Attack from {crossing['threshold_m'] / 0.08:.1f} boards" in said(ax)
    with pytest.raises(UnitError, match="width of a board"):
        panel(model, crossing, unit="boards")


def test_axes_carry_units(model, crossing):
    ax = panel(model, crossing, unit="in")
    assert ax.get_xlabel() == "gap to the side wall (in)"
    assert ax.get_ylabel() == "chance of winning the rally (%)"


def test_a_single_panel_goes_into_axes_given(model, crossing):
    figure, ax = plt.subplots()
    assert panel(model, crossing, ax=ax) is ax
    assert figure.get_suptitle() == ""
    with pytest.raises(DataError, match="one panel"):
        plot_threshold(model, "Rowan", ax=ax)


def test_a_name_with_dollar_signs_is_no_formula(model):
    figure = plot_threshold(model, "Al$d$er")[0, 0].figure
    assert r"Al\$d\$er" in figure.get_suptitle()
    figure.draw_without_rendering()


def test_the_figure_says_what_shots_are_judged_by(shots, model):
    by_rally = TightnessModel(outcome="rally", draws=200).fit(shots)
    small_print = [
        plot_threshold(one, "Rowan", "forehand", "ground").figure.get_supxlabel()
        for one in (by_rally, model)
    ]
    assert "who won the rally" in small_print[0]
    assert "the ball that the shot leaves" in small_print[1].replace("\n", " ")


def test_no_text_of_a_panel_runs_into_its_neighbour(model):
    axes = plot_threshold(model, "Rowan", board_width_m=0.07)
    figure = axes[0, 0].figure
    figure.canvas.draw()
    for row in axes:
        left = max(text.get_window_extent().x1 for text in row[0].texts)
        assert left <= min(text.get_window_extent().x0 for text in row[1].texts)
    right = max(text.get_window_extent().x1 for ax in axes.flat for text in ax.texts)
    assert right <= figure.bbox.x1


def test_what_is_not_there_is_refused_by_name(model):
    with pytest.raises(DataError, match=r"'Aspen'.*Hazel"):
        plot_threshold(model, "Aspen")
    with pytest.raises(DataError, match="forehand or backhand"):
        plot_threshold(model, "Rowan", "left")
    with pytest.raises(DataError, match="ground or volley"):
        plot_threshold(model, "Rowan", family="drop")
    with pytest.raises(NotFittedError):
        plot_threshold(TightnessModel(draws=200), "Rowan")
    with pytest.raises(UnitError):
        plot_threshold(model, "Rowan", unit="furlong")


def test_the_other_outcome_is_drawn_and_said_beside(shots, model, crossing):
    other = TightnessModel(outcome="value", draws=200).fit(shots)
    ax = panel(model, crossing, beside=other)
    assert "by value: attack from " in said(ax)
    assert (
        "Grey bracket: judged by the ball that the shot leaves"
        in ax.figure.get_supxlabel().replace("\n", " ")
    )
    answer = other.thresholds().set_index(["player", "side", "family"])
    answer = answer.loc[(crossing["player"], crossing["side"], crossing["family"])]
    at = labelled(ax, "_beside").get_xdata()[0]
    assert at == pytest.approx(answer["threshold_m"])


def test_the_rule_is_drawn_in_place_of_the_threshold_and_words_are_left_out(model, crossing):
    ax = panel(model, crossing, rule=model.rule())
    rule = model.rule().query("player == @crossing.player")
    rule = rule[(rule["side"] == crossing["side"]) & (rule["family"] == crossing["family"])]
    line = labelled(ax, "_rule")
    assert np.unique(line.get_xdata()) == pytest.approx(rule["rule_m"].to_numpy())
    assert not [one for one in ax.lines if one.get_label() == "_threshold"]
    assert "Attack from" not in said(ax)
    assert "n = " in said(ax)


def test_the_truth_of_simulated_players_is_a_diamond_and_is_explained(model, crossing):
    truth = model.thresholds()[["player", "side", "family"]].assign(threshold_m=0.42)
    ax = panel(model, crossing, truth=truth)
    mark = labelled(ax, "_truth")
    assert mark.get_marker() == "D"
    assert list(mark.get_xdata()) == [0.42]
    assert "true threshold" in ax.figure.get_supxlabel()
    assert "true threshold" not in panel(model, crossing).figure.get_supxlabel()


def test_on_plain_subplots_no_panel_writes_over_another(model):
    figure, axes = plt.subplots(2, 1, figsize=(5, 8))
    for ax, side in zip(axes, ("forehand", "backhand"), strict=True):
        plot_threshold(model, "Rowan", side, "ground", ax=ax)
    figure.canvas.draw()
    upper, lower = (ax.get_tightbbox() for ax in axes)
    assert lower.y1 <= upper.y0 + 1.0


def curve(*better):
    return pd.DataFrame({"gap_m": 0.1 * np.arange(len(better)), "p_attack_sure": better})


def test_stretches_follow_one_another_to_the_widest_gap():
    parts = stretches(curve(0.1, 0.2, 0.5, 0.79, 0.8, 0.95), 0.6)
    assert [part.choice for part in parts] == ["reset", "too close to call", "attack"]
    assert [part.low_m for part in parts] == pytest.approx([0.0, 0.2, 0.4])
    assert [part.high_m for part in parts] == pytest.approx([0.2, 0.4, 0.6])


@pytest.mark.parametrize(
    ("better", "says"),
    [
        ((0.1, 0.5, 0.9), "attack is right 4 times in 5 from 20 cm"),
        ((0.1, 0.5, 0.6), "reset is right 4 times in 5 up to 10 cm"),
        ((0.9, 0.9), "attack is right 4 times in 5 at any gap"),
        ((0.1, 0.1), "reset is right 4 times in 5 at any gap"),
        ((0.5, 0.5), ""),
        ((0.9, 0.5, 0.3), ""),
        ((), ""),
    ],
)
def test_the_sure_stretch_is_said_in_words(better, says):
    assert sure_words(curve(*better), GapWords()) == says
