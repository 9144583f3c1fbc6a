"""What is written reads back, by the test's own reading of the W3C document."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.clips import chapters_text, clip_times, write_clips
from sidewall.clips.clips import cue_text, timestamp
from sidewall.errors import DataError, WriteError
from sidewall.log.writing import file_stem


def test_a_rally_is_shown_from_before_its_serve_to_after_its_last_strike(log, rallies):
    clips = clip_times(rallies, log)
    timed = clips[clips["problem"] == ""]
    # the first begins 3 s before the video does
    assert timed["in_s"].tolist() == [0.0, 16.0, 3596.0]
    assert timed["out_s"].tolist() == [6.0, 23.0, 3603.25]
    assert timed["title"].tolist() == ["game 1, rally 1", "game 1, rally 2", "game 1, rally 5"]


def test_rallies_without_times_stay_in_the_table(log, rallies):
    clips = clip_times(rallies, log)
    assert clips["rows"].sum() == len(rallies)
    missing = clips[clips["problem"] != ""]
    assert missing["problem"].tolist() == ["no time in the log"] * 2
    assert missing["title"].tolist() == ["game 1, rally 3", "game 1, rally 4"]
    assert missing[["in_s", "out_s"]].isna().all(axis=None)


def test_a_rally_that_is_not_in_the_log_is_said_so(log):
    table = pd.DataFrame({"match": ["m1", "m2"], "game": [1, 1], "rally": [1, 1]})
    clips = clip_times(table, log)
    assert clips.set_index("match")["problem"].to_dict() == {"m1": "", "m2": "not in the log"}


def test_times_that_run_backwards_make_no_clip(make_log):
    log = make_log([[10.0, 5.0], [20.0, 21.0]])
    clips = clip_times(log[log["shot"] == 1][["match", "game", "rally"]], log)
    assert clips.set_index("title")["problem"]["game 1, rally 1"].startswith("the rally's last")


def test_a_single_shot_is_shown_around_its_strike_and_named(log):
    table = log[(log["rally"] == 1) & (log["shot"] > 1)][["match", "game", "rally", "shot"]]
    clips = clip_times(table.assign(decision=["forced", "attacked loose"]), log, merge=False)
    assert clips["in_s"].tolist() == [0.0, 0.0]
    assert clips["out_s"].tolist() == [4.5, 6.0]
    assert clips["title"].tolist() == [
        "game 1, rally 1, shot 2: Hazel, forced backhand volley drop",
        "game 1, rally 1, shot 3: Rowan, attacked forehand volley drop",
    ]


def test_one_player_needs_no_name(log):
    table = log[(log["player"] == "Hazel") & (log["rally"] == 1)]
    assert clip_times(table, log)["title"].tolist() == [
        "game 1, rally 1, shot 2: backhand volley drop"
    ]
    named = clip_times(table, log, name_players=True)["title"]
    assert named.tolist() == ["game 1, rally 1, shot 2: Hazel, backhand volley drop"]


def test_clips_that_touch_become_one_and_keep_all_titles(log):
    table = log[log["rally"] == 1][["match", "game", "rally", "shot"]].assign(title=["a", "b", "b"])
    clips = clip_times(table, log)
    assert clips[["in_s", "out_s", "rows"]].to_numpy().tolist() == [[0.0, 6.0, 3.0]]
    assert clips["title"][0] == (
        "game 1, rally 1, shot 1: Rowan, a; game 1, rally 1, shot 2: Hazel, b; "
        "game 1, rally 1, shot 3: Rowan, b"
    )


def test_clips_of_different_matches_are_never_joined(make_log):
    log = pd.concat([make_log([[10.0, 11.0]], "m1"), make_log([[10.0, 11.0]], "m2")])
    log = log.reset_index(drop=True)
    clips = clip_times(log[log["shot"] == 1][["match", "game", "rally"]], log)
    assert clips["match"].tolist() == ["m1", "m2"]


def test_what_is_missing_is_said(log, rallies):
    with pytest.raises(DataError, match="no column game"):
        clip_times(rallies.drop(columns="game"), log)
    with pytest.raises(DataError, match="chart the column t"):
        clip_times(rallies, log.drop(columns="t_s"))
    with pytest.raises(DataError, match="chart the column t"):
        clip_times(rallies, log.assign(t_s=np.nan))
    for lead in (-1.0, np.nan):
        with pytest.raises(DataError, match="lead_in_s"):
            clip_times(rallies, log, lead_in_s=lead)


struck = st.lists(
    st.lists(st.floats(0, 7200, allow_nan=False), min_size=1, max_size=3).map(sorted),
    min_size=1,
    max_size=6,
)
leads = st.floats(0, 30, allow_nan=False)


@settings(deadline=None, max_examples=40)
@given(struck, leads, leads, st.booleans())
def test_every_row_is_in_one_clip_and_every_strike_is_seen(make_log, times, before, after, merge):
    log = make_log(times)
    rallies = log[["match", "game", "rally"]].drop_duplicates()
    clips = clip_times(rallies, log, lead_in_s=before, lead_out_s=after, merge=merge)
    assert clips["rows"].sum() == len(rallies)
    assert (clips["in_s"] >= 0).all()
    assert (clips["out_s"] >= clips["in_s"]).all()
    assert clips["in_s"].is_monotonic_increasing
    for t in log["t_s"]:
        assert ((clips["in_s"] <= t) & (t <= clips["out_s"])).any()
    if merge:
        assert (clips["in_s"].to_numpy()[1:] > clips["out_s"].to_numpy()[:-1]).all()


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


def test_files_for_each_match_and_one_table(tmp_path, make_log, read_vtt):
    names = ["Cup, 1st round", "cup 1st ROUND", "=1+1"]
    log = pd.concat([make_log([[10.0, 12.0], [None, 30.0]], name) for name in names])
    log = log.astype({"match": "category"}).reset_index(drop=True)
    rallies = log[log["shot"] == 1][["match", "game", "rally"]]
    written = write_clips(clip_times(rallies, log), tmp_path / "out", "for Rowan")
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "cup-1st-round-1-for-rowan.vtt",
        "cup-1st-round-2-for-rowan.vtt",
        "1-1-for-rowan.vtt",
        "for-rowan.csv",
    }
    for path in written.chapters.values():
        content = path.read_bytes()
        assert b"\r" not in content
        assert read_vtt(content.decode("utf-8")) == [("1", 6000, 14000, "game 1, rally 1")]
    table = pd.read_csv(written.table, encoding="utf-8-sig", keep_default_na=False)
    assert len(table) == 6
    assert (table["problem"] != "").sum() == 3
    assert set(table["match"]) == {"Cup, 1st round", "cup 1st ROUND", "'=1+1"}
    assert table["in_time"][0] == "00:00:06.000"
    said = written.lines()
    assert said[-1] == (
        f"3 are not in the chapters: no time in the log. The first is {names[0]}, game 1, rally 2."
    )


def test_what_cannot_be_written_is_said(tmp_path, log, rallies):
    clips = clip_times(rallies, log)
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(WriteError, match="no such folder can be made"):
        write_clips(clips, blocked)
    with pytest.raises(DataError, match="no clip to write"):
        write_clips(clips[:0], tmp_path)


def test_a_table_may_be_written_without_chapters(tmp_path, log, rallies):
    clips = clip_times(rallies, log)
    written = write_clips(clips, tmp_path / "clips", "rest", chapters=False)
    assert [path.name for path in (tmp_path / "clips").iterdir()] == ["rest.csv"]
    assert written.chapters == {}
    assert len(pd.read_csv(written.table)) == len(clips)


def test_file_stems_differ():
    names = ["a!", "a?", "a-1", "A", "", "??"]
    stems = [file_stem(name, names, "match") for name in names]
    assert len(set(stems)) == len(names)
    assert stems[2] == "a-1"
    assert file_stem("??") == "player"
