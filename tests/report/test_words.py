from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.report.rallies import clock
from sidewall.report.words import Lengths, signed_in, stroke_words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0:00"), (59.9, "0:59"), (60, "1:00"), (754, "12:34"), (3661, "1:01:01"), (math.nan, "")],
)
def test_times_are_minutes_and_seconds(seconds, words):
    assert clock(seconds) == words


@given(st.floats(0, 1e5))
def test_times_read_back(seconds):
    parts = [int(part) for part in clock(seconds).split(":")]
    assert sum(part * 60**k for k, part in enumerate(reversed(parts))) == int(seconds)


def test_gaps_in_the_readers_unit():
    assert Lengths("cm", None).gap(0.35) == "35 cm"
    assert Lengths("m", None).interval(0.2, 0.5) == "0.20 to 0.50"
    assert Lengths("cm", 0.07).boards(0.35) == "5.0 boards"
    assert Lengths("boards", 0.07).boards(0.35) == ""
    assert Lengths("cm", None).interval(math.nan, 0.5) == "up to 50"
    assert Lengths("cm", None).interval(0.5, math.inf) == "50 or more"


def test_a_column_is_written_with_its_interval_and_in_100():
    row = {"gain": -0.0004, "gain_low": -0.0126, "gain_high": 0.0054}
    assert signed_in(row, "gain", 2) == "0.00 (−0.01 to +0.01)"
    assert signed_in(row, "gain") == "0.0 (−0.01 to +0.01)"
    assert signed_in(row, "gain", times=100) == "0.0 (−1.3 to +0.5)"
    assert signed_in(row | {"gain": math.nan}, "gain") == "not known yet"


def test_strokes_in_words():
    assert stroke_words("backhand", "back_wall_boast", "not charted") == "Backhand back wall boast"
