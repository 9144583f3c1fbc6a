from __future__ import annotations

import warnings
from itertools import pairwise

import numpy as np
import pytest
from matplotlib import pyplot as plt

from sidewall.combinations import BUILT_IN, Combination, Step
from sidewall.combinations.tries import break_words
from sidewall.errors import DataError
from sidewall.plots import plot_effects, plot_funnel, plot_sequence
from sidewall.simulate import draw_players, round_robin, simulate_shots

FOUR_STEPS = BUILT_IN["length, volley short, cover, empty corner"]


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", "Alder", "Willow"], np.random.default_rng(5))
    return simulate_shots(players, round_robin(4, 4), rng=6)


def said(ax):
    return [text.get_text() for text in ax.texts]


def wide(ax, stage):
    """Widths of the parts of a bar, by what came of the tries."""
    found = {}
    for bars in ax.containers:
        label = str(bars.get_label())
        if label.endswith(f" {stage}"):
            found[label.removeprefix("_").removesuffix(f" {stage}")] = bars[0].get_width()
    return found


def test_bars_are_the_shares_of_the_table_and_add_up(shots):
    ax = plot_funnel(FOUR_STEPS, shots, "Rowan")
    stages = FOUR_STEPS.funnel(shots, player="Rowan").to_dict("records")
    for before, row in pairwise(stages):
        parts = wide(ax, row["stage"])
        assert sum(parts.values()) == pytest.approx(100.0)
        assert parts.get("went on", 0.0) == pytest.approx(100.0 * row["share"])
        if row["stage"] != "rally won":
            over = 100.0 * before["rally_over"] / row["of"]
            assert parts.get("rally over", 0.0) == pytest.approx(over)


def test_lines_are_the_intervals(shots):
    ax = plot_funnel(FOUR_STEPS, shots)
    table = FOUR_STEPS.funnel(shots).set_index("stage")
    for stage in ("step 3", "finished", "rally won"):
        ends = [one.get_xdata() for one in ax.lines if one.get_label() == f"_interval {stage}"]
        assert len(ends) == 2
        low, high = table.share_low[stage], table.share_high[stage]
        assert list(ends[0]) == pytest.approx([100 * low, 100 * high])


def test_every_stage_has_its_words_and_counts(shots):
    words = "\n".join(said(plot_funnel(FOUR_STEPS, shots, "Rowan")))
    table = FOUR_STEPS.funnel(shots, player="Rowan")
    assert f"{table['n_tries'][0]:,} tries in {table['n_rallies'][0]} rallies" in words
    for row in table.iloc[1:5].to_dict("records"):
        assert f"{row['n_tries']:,} of {row['of']:,} went on" in words
    assert "1. The player plays a drive" in words


def test_the_break_is_marked_and_said(shots):
    ax = plot_funnel(FOUR_STEPS, shots)
    marked = [text for text in said(ax) if "breaks here" in text]
    assert len(marked) == 1
    assert marked[0].startswith("3. The player plays a volley drop or kill")
    row = FOUR_STEPS.funnel(shots).iloc[2]
    words = f"It breaks at step 3, which {row['n_tries']:,} of {row['of']:,} tries reach."
    assert words in ax.figure.get_supxlabel().replace("\n", " ")


def test_a_break_that_is_not_sure_is_not_called_one(shots):
    drops = BUILT_IN["drop then counter drop"]
    few = shots[shots["match"] == shots["match"].iloc[0]].reset_index(drop=True)
    table = drops.funnel(few)
    assert table["share_high"][1] >= table["share_low"][2]
    assert break_words(table).startswith("The weakest is step")
    ax = plot_funnel(drops, few)
    assert not any("breaks here" in text for text in said(ax))
    assert sum("weakest, not for certain" in text for text in said(ax)) == 1


def test_nobody_tried(shots):
    never = Combination("never", [Step.own(stroke="serve", gap_m=(3.1, None)), Step.any_reply()])
    ax = plot_funnel(never, shots)
    assert said(ax).count("no try came this far") == 2
    assert "no tries to tell from" in ax.figure.get_supxlabel().replace("\n", " ")


def test_optional_steps_keep_the_parts_whole(shots):
    steps = [
        Step.own(stroke="drive"),
        Step.any_reply().optional(),
        Step.own(stroke="drive").optional(),
        Step.reply(stroke="drive"),
    ]
    ax = plot_funnel(Combination("with a pause", steps), shots)
    for stage in ("step 2", "step 3", "finished", "rally won"):
        assert sum(wide(ax, stage).values()) == pytest.approx(100.0)


def test_words_stay_on_the_figure(shots):
    long = Combination("x" * 200, FOUR_STEPS.steps)
    for combination in (FOUR_STEPS, long):
        ax = plot_funnel(combination, shots, "Rowan")
        ax.figure.canvas.draw()
        boxes = [text.get_window_extent() for text in ax.texts]
        assert max(box.x1 for box in boxes) <= ax.figure.bbox.x1
        tops = sorted(((box.y0, box.y1) for box in boxes), reverse=True)
        assert all(upper[0] > lower[1] - 3 for upper, lower in pairwise(tops))


def test_it_goes_into_axes_given_and_refuses_strangers(shots):
    figure, ax = plt.subplots()
    assert plot_funnel(FOUR_STEPS, shots, "Hazel", ax=ax) is ax
    assert figure.get_suptitle() == ""
    with pytest.raises(DataError, match="Aspen"):
        plot_funnel(FOUR_STEPS, shots, "Aspen")


def test_a_name_with_signs_is_drawn_as_it_is(shots):
    named = Combination("two $ and $ more", FOUR_STEPS.steps)
    ax = plot_funnel(named, shots)
    assert r"two \$ and \$ more" in ax.figure.get_suptitle().replace("\n", " ")


HOSTILE = [r"$\foo$", "<script>alert(1)</script>", "松", r"\frac{a", "$x_1$ & $^", "A" * 60]


def test_hostile_names_are_drawn_as_they_are(shots):
    named = shots.copy()
    names = dict(zip(shots["player"].cat.categories, HOSTILE, strict=False))
    for column in ("player", "opponent", "rally_won_by"):
        named[column] = shots[column].cat.rename_categories(names)
    own = Combination(r"$\foo$ & 松", BUILT_IN["length then volley"].steps)
    effect = own.effect(named, by="player", permutations=9)
    for rename in ({}, {names["Hazel"]: HOSTILE[-1], names["Alder"]: HOSTILE[-2]}):
        effect["player"] = effect["player"].replace(rename)
        named = named.assign(player=named["player"].cat.rename_categories(rename))
        named = named.assign(opponent=named["opponent"].cat.rename_categories(rename))
        named = named.assign(rally_won_by=named["rally_won_by"].cat.rename_categories(rename))
        shown = list(named["player"].cat.categories[:3]) if not rename else list(rename.values())
        axes = [plot_funnel(own, named, name) for name in shown]
        axes += [plot_effects(effect), plot_sequence(own)]
        for figure in (ax.figure for ax in axes):
            with warnings.catch_warnings():
                warnings.simplefilter("error")  # such as: no such glyph
                figure.canvas.draw()
            boxes = [t.get_window_extent() for t in figure.findobj(plt.Text) if t.get_text()]
            assert max(box.x1 for box in boxes) <= figure.bbox.x1 + 1
            assert min(box.x0 for box in boxes) >= -1
            plt.close(figure)
