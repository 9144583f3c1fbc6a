from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

from sidewall.court.units import GapWords
from sidewall.numbers import count, signed
from sidewall.plots.words import (
    answer_words,
    columns,
    difference_words,
    drawable,
    more_shots_words,
    plain,
    threshold_difference_words,
    win_difference_words,
)

NAN = float("nan")


def answer(status="crosses", at=NAN, low=NAN, high=NAN, more=0.0):
    ends = {"threshold_low_m": low, "threshold_high_m": high}
    return {"status": status, "threshold_m": at, **ends, "more_shots": more}


@pytest.mark.parametrize(
    ("row", "unit", "says", "known"),
    [
        (answer("crosses", 0.47, 0.33, 0.71), "cm", "attack from 47 cm (33 to 71)", ""),
        (answer("crosses", 0.47, 0.33, 0.71), "m", "attack from 0.47 m (0.33 to 0.71)", ""),
        (answer("crosses", 0.508, 0.254, 0.762), "in", "attack from 20 in (10 to 30)", ""),
        (answer("crosses", 0.49, 0.35, 0.70), "boards", "attack from 7.0 boards (5.0 to 10.0)", ""),
        (answer("attack at any gap"), "cm", "attack at any gap", ""),
        (answer("reset at any gap"), "cm", "reset at any gap", ""),
        (
            answer("not known yet", low=0.35, more=1899.0),
            "cm",
            "not known yet: about 1,900 more shots",
            "below 35 cm reset is better",
        ),
        (
            answer("not known yet", low=0.35, high=1.2, more=np.inf),
            "cm",
            "not known yet: 20,000+ more shots",
            "below 35 cm reset is better, above 120 cm attack is better",
        ),
        # a bound at the wall itself is no help to anybody
        (
            answer("not known yet", low=0.002, more=35.0),
            "cm",
            "not known yet: about 35 more shots",
            "",
        ),
    ],
)
def test_an_answer_is_said_in_the_readers_unit(row, unit, says, known):
    assert answer_words(row, GapWords(unit, 0.07)) == (says, known)


@given(st.floats(1, 20_000))
def test_further_shots_keep_two_figures(more):
    number = int(more_shots_words(more).split()[1].replace(",", ""))
    assert number == pytest.approx(more, rel=0.051, abs=0.51)
    assert len(str(number).rstrip("0")) <= 2


def difference(at, low, high):
    return {
        "threshold_difference_m": at,
        "threshold_difference_low_m": low,
        "threshold_difference_high_m": high,
        "win_difference": at,
        "win_difference_low": low,
        "win_difference_high": high,
    }


@pytest.mark.parametrize(
    ("ends", "says"),
    [
        ((0.12, 0.03, 0.24), "backhand needs 12 cm looser (3 to 24)"),
        ((-0.12, -0.24, -0.03), "forehand needs 12 cm looser (3 to 24)"),
        ((0.12, -0.03, 0.24), "no clear difference (within 24 cm)"),
        ((0.02, -0.30, 0.24), "no clear difference (within 30 cm)"),
        ((NAN, NAN, NAN), "difference not known yet"),
    ],
)
def test_the_difference_in_thresholds_names_the_side_that_needs_more_room(ends, says):
    assert threshold_difference_words(difference(*ends), GapWords()) == says


@pytest.mark.parametrize(
    ("ends", "says"),
    [
        ((0.12, 0.03, 0.24), "backhand wins 12 more in 100 (3.0 to 24)"),
        ((-0.12, -0.24, -0.03), "forehand wins 12 more in 100 (3.0 to 24)"),
        ((0.02, -0.01, 0.05), "no clear difference (within 5.0 in 100)"),
        ((NAN, NAN, NAN), "not known yet"),
    ],
)
def test_the_difference_in_rallies_names_the_better_side(ends, says):
    assert win_difference_words(difference(*ends)) == says


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=200))
def test_any_name_can_be_drawn(name):
    safe = plain(name)
    assert columns(safe.replace(r"\$", "$")) <= 40
    assert safe.replace(r"\$", "$").isprintable()
    words, style = drawable(safe)
    figure = Figure()
    figure.text(0, 0, words, **style)
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # such as: no such glyph
        figure.draw_without_rendering()


def test_a_dollar_sign_stays_a_dollar_sign():
    figure = Figure()
    text = figure.text(0, 0, plain("$\\foo$"))
    assert text._preprocess_math(text.get_text())[1] is False


def test_counts_agree_with_their_noun():
    assert count(1, "rally", "rallies") == "1 rally"
    assert count(1200, "rally", "rallies") == "1,200 rallies"
    assert count(0, "shot") == "0 shots"


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [
        (1.26, 1, "+1.3"),
        (-1.26, 1, "−1.3"),
        (-0.04, 1, "0.0"),
        (0.0, 0, "0"),
        (-0.004, 3, "−0.004"),
    ],
)
def test_differences_carry_true_signs_and_nothing_has_none(value, digits, words):
    assert signed(value, digits) == words


def test_an_end_keeps_the_digits_that_show_its_sign():
    assert difference_words((0.08, -0.02, 0.2)) == "+0.1 (−0.02 to +0.2)"
    assert difference_words((-0.04, -1.26, 0.5)) == "0.0 (−1.3 to +0.5)"
    assert difference_words((0.014, 0.0, 0.2), 2) == "+0.01 (0.00 to +0.20)"
    assert difference_words((np.nan, -1.0, 1.0)) == "not known yet"


@given(st.floats(-2, 2), st.integers(0, 2))
def test_the_sign_of_an_end_reads_back(end, digits):
    low, high = difference_words((0.5, end, end), digits).partition("(")[2][:-1].split(" to ")
    assert low == high
    read = float(low.replace("−", "-"))
    assert np.sign(read) == np.sign(round(end, digits + 3))
