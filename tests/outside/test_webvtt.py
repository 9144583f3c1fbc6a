"""Chapters are read by others' code as they were meant.

Source: W3C, *WebVTT: The Web Video Text Tracks Format*, Candidate Recommendation, 4 April
2019, read by the general-purpose library webvtt-py; it keeps character references as they
stand, so they are resolved here by Python's ``html``.
"""

import html
import io

import numpy as np
import pandas as pd
import pytest

from sidewall import simulate
from sidewall.clips import clip_times, write_clips

webvtt = pytest.importorskip("webvtt", reason="webvtt-py is not installed")


@pytest.mark.parametrize("merge", [True, False])
def test_every_clip_is_read_back(tmp_path, merge):
    players = simulate.draw_players(["Rowan", "Hazel", "<b>Alder & Ash"], np.random.default_rng(3))
    shots = simulate.simulate_shots(players, simulate.round_robin(3), rng=4)
    some = shots[(shots["stroke"] == "drop") & (shots["side"] == "backhand")]
    clips = clip_times(some, shots, merge=merge)
    written = write_clips(clips, tmp_path)
    assert len(written.chapters) == 3
    for match, path in written.chapters.items():
        read = webvtt.read(str(path))
        mine = clips[clips["match"] == match]
        assert len(read) == len(mine) > 10
        begins = [caption.start_in_seconds + caption.start_time.milliseconds / 1000
                  for caption in read]  # fmt: skip
        np.testing.assert_allclose(begins, mine["in_s"], atol=0.0006)
        titles = pd.Series([html.unescape(caption.text) for caption in read])
        assert sorted(titles) == sorted(mine["title"])
        assert [caption.identifier for caption in read] == [str(k) for k in range(1, len(mine) + 1)]


def test_a_file_that_is_none_is_refused_by_it():
    with pytest.raises(webvtt.errors.MalformedFileError):
        webvtt.from_buffer(io.StringIO("00:01.000 --> 00:02.000\nno header\n"))
