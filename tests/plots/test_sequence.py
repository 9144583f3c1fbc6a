from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib import pyplot as plt

from sidewall.combinations import BUILT_IN, Combination, Step
from sidewall.court.court import Court
from sidewall.court.zones import DEPTHS, LANES
from sidewall.log.vocabulary import STROKES
from sidewall.plots import plot_sequence
from sidewall.plots.sequence import places_of

COURT = Court()
every = pytest.mark.parametrize("combination", BUILT_IN.values(), ids=lambda each: each.name)


def places(*steps):
    return places_of(steps, COURT)


def said(ax):
    return " ".join(text.get_text() for text in ax.texts)


@every
def test_a_number_and_an_arrow_for_every_step_and_the_words_beside(combination):
    ax = plot_sequence(combination)
    for k, step in enumerate(combination.steps, start=1):
        on_court, beside = [one for one in ax.lines if one.get_label() == f"_step {k} {step.by}"]
        assert on_court.get_xdata()[0] < COURT.floor.width < beside.get_xdata()[0]
        assert [a.get_label() for a in ax.patches].count(f"_arrow {k} {step.by}") == 1
        words = str(step)
        assert words[0].upper() + words[1:] in said(ax)


@every
def test_own_and_opponent_differ_without_colour(combination):
    ax = plot_sequence(combination)
    own = next(one for one in ax.lines if str(one.get_label()).endswith(" own"))
    reply = next(one for one in ax.lines if str(one.get_label()).endswith(" reply"))
    assert own.get_markerfacecolor() != reply.get_markerfacecolor()
    dashes = {str(a.get_label())[-3:]: a.get_linestyle() for a in ax.patches[-3:]}
    assert len(set(map(str, dashes.values()))) == 2


def test_asked_places_are_kept():
    found = places(
        Step.own(stroke="drive", depth="back", lane="right"),
        Step.reply(depth="front", lane="left"),
        Step.own(bounce_depth="back", bounce_lane="left"),
    )
    (x1, y1), (x2, y2), _ = found.struck
    x4, y4 = found.goes_to[-1]
    assert (x1 > COURT.width_m / 2, y1 > COURT.length_m / 2) == (True, True)
    assert (x2 < COURT.width_m / 2, y2 < COURT.length_m / 3) == (True, True)
    assert (x4 < COURT.width_m / 2, y4 > COURT.length_m / 2) == (True, True)


@pytest.mark.parametrize(
    ("stroke", "direction", "front", "left"),
    [
        ("drive", "straight", False, True),
        ("drive", "cross", False, False),
        ("drop", "straight", True, True),
        ("drop", "cross", True, False),
        ("boast", None, True, False),
        ("lob", "cross", False, False),
    ],
)
def test_strokes_go_where_they_usually_go(stroke, direction, front, left):
    found = places(Step.own(stroke=stroke, direction=direction, side="backhand"))
    x, y = found.goes_to[0]
    assert (y < COURT.length_m / 2) == front
    assert (x < COURT.width_m / 2) == left


def test_the_empty_corner_is_the_one_farthest_from_the_opponent():
    found = places(
        Step.own(stroke="drop", side="backhand"),
        Step.reply(direction="cross"),
        Step.own(room_m=(3.5, None)),
    )
    stood, target = np.array(found.struck[1]), np.array(found.goes_to[-1])
    assert np.hypot(*(target - stood)) > 7.0


def test_a_volley_is_met_further_up_than_a_ball_after_the_bounce():
    volley, bounced = (
        places(Step.own(stroke="drive"), Step.any_reply(), Step.own(contact=contact))
        for contact in ("volley", "after_bounce")
    )
    assert volley.struck[2][1] < bounced.struck[2][1]


steps = st.builds(
    dict,
    stroke=st.sampled_from([None, *STROKES]),
    depth=st.sampled_from([None, *DEPTHS]),
    bounce_lane=st.sampled_from([None, *LANES]),
    direction=st.sampled_from([None, "straight", "cross"]),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(steps, min_size=1, max_size=6))
def test_every_place_is_on_the_floor_and_numbers_stand_apart(asked):
    made = [Step.own(**each) if k % 2 == 0 else Step.reply(**each) for k, each in enumerate(asked)]
    found = places(*made)
    for x, y in (*found.struck, *found.goes_to):
        assert 0.0 < x < COURT.floor.width
        assert 0.0 < y < COURT.floor.depth
    for one, two in itertools.combinations(found.struck, 2):
        assert np.hypot(one[0] - two[0], one[1] - two[1]) > 1.0
    assert found.goes_to[:-1] == found.struck[1:]


def test_words_stay_on_the_picture_and_axes_are_taken():
    four = BUILT_IN["length, volley short, cover, empty corner"]
    ax = plot_sequence(four)
    ax.figure.canvas.draw()
    assert max(text.get_window_extent().x1 for text in ax.texts) <= ax.figure.bbox.x1
    figure, given_axes = plt.subplots()
    assert plot_sequence(Combination("one", [Step.own()]), ax=given_axes) is given_axes
    assert figure.get_suptitle() == ""
