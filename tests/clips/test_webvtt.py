"""What is written reads back, by the test's own reading of the W3C document."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.clips import chapters_text, clip_times
from sidewall.clips.clips import cue_text, timestamp
from sidewall.errors import DataError

titles = st.text(max_size=40) | st.sampled_from(["a --> b", "<b>&amp;</b>", "\n\n", "x\r\n\ry", ""])
spans = st.lists(
    st.tuples(st.floats(0, 1e5, allow_nan=False), st.floats(0, 60, allow_nan=False), titles),
    min_size=1,
    max_size=8,
)


def clips_of(rows):
    table = pd.DataFrame(rows, columns=["in_s", "length", "title"])
    return table.assign(match="m1", out_s=table["in_s"] + table["length"])


@settings(deadline=None, max_examples=50)
@given(spans)
def test_cues_read_back(read_vtt, rows):
    clips = clips_of(rows)
    cues = read_vtt(chapters_text(clips))
    assert len(cues) == len(clips)
    assert [name for name, *_ in cues] == [str(k) for k in range(1, len(cues) + 1)]
    begins = [begin for _, begin, _, _ in cues]
    assert begins == sorted(round(1000 * t) for t in clips["in_s"])
    if all(title.isprintable() or title.isspace() for title in clips["title"]):
        meant = [" ".join(title.split()) or "clip" for title in clips["title"]]
        assert sorted(title for *_, title in cues) == sorted(meant)


@settings(deadline=None, max_examples=50)
@given(spans)
def test_chapters_follow_or_lie_inside_one_another(read_vtt, rows):
    cues = read_vtt(chapters_text(clips_of(rows)))
    for k, (_, begin, end, _) in enumerate(cues):
        assert begin < end
        for _, earlier, its_end, _ in cues[:k]:
            assert earlier <= begin
            assert its_end <= begin or its_end >= end


@given(st.integers(0, 10**9))
def test_timestamps_read_back(ms):
    hours, minutes, rest = timestamp(ms).split(":")
    assert round(1000 * (3600 * int(hours) + 60 * int(minutes) + float(rest))) == ms


def test_a_file_by_hand():
    clips = clips_of([(3599.9996, 2.0, "forced < & >"), (1.0, 2.5, "a\n--> b")])
    assert chapters_text(clips) == (
        "WEBVTT\n\n1\n00:00:01.000 --> 00:00:03.500\na --&gt; b\n\n"
        "2\n01:00:00.000 --> 01:00:02.000\nforced &lt; &amp; &gt;\n"
    )


def test_only_the_earlier_of_two_that_overlap_is_cut(read_vtt):
    clips = clips_of([(0.0, 10.0, "a"), (2.0, 7.0, "inside a"), (8.0, 10.0, "b")])
    cut = [(begin, end) for _, begin, end, _ in read_vtt(chapters_text(clips))]
    assert cut == [(0, 8000), (2000, 8000), (8000, 18000)]


def test_titles_are_one_line_and_never_empty():
    assert cue_text("") == cue_text("\n \x00") == "clip"
    assert cue_text("a\u2028b\x85\ud800c") == "a b c"


def test_one_file_is_one_match_and_every_clip_has_a_time(log, rallies):
    clips = clip_times(rallies, log)
    with pytest.raises(DataError, match="no time"):
        chapters_text(clips)
    timed = clips[clips["problem"] == ""]
    with pytest.raises(DataError, match="a video of its own"):
        chapters_text(pd.concat([timed, timed.assign(match="m2")]))
