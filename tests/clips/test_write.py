import pandas as pd
import pytest

from sidewall.clips import clip_times, write_clips
from sidewall.errors import DataError, WriteError
from sidewall.log.file_stem import file_stem


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
