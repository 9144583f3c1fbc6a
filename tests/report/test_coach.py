from __future__ import annotations

import re
from dataclasses import replace

import pytest

from sidewall.errors import DataError
from sidewall.report import Report
from sidewall.report.coach import notes_by_heading, read_sections
from sidewall.report.page import render_page
from sidewall.report.rallies import check_videos
from sidewall.report.sections import SECTIONS

NOTES = """Well **done**.

## TRAINING, step by step

Twice a week. <script>alert("x")</script>

![spy](https://example.org/spy.png) [bad](javascript:alert(1))

# Something else

The knee first.
"""


@pytest.fixture
def notes(tmp_path):
    path = tmp_path / "notes.md"
    path.write_text(NOTES, encoding="utf-8")
    return path


def test_words_stand_under_the_heading_that_they_name(notes):
    found = notes_by_heading(notes, ["Training, step by step", "Where from?"])
    assert set(found) == {"", "Training, step by step"}
    assert "<strong>done</strong>" in found[""]
    assert "<h3>Something else</h3>" in found[""]
    assert "The knee first." in found[""]
    assert "Twice a week." in found["Training, step by step"]


def test_markup_in_the_coachs_words_is_text_and_nothing_is_fetched(notes):
    words = "".join(notes_by_heading(notes, ["Training, step by step"]).values())
    assert "<script" not in words
    assert "&lt;script&gt;" in words
    assert "<img" not in words
    assert 'href="javascript' not in words


def test_notes_that_cannot_be_read_are_told(tmp_path):
    with pytest.raises(DataError, match="cannot be read"):
        notes_by_heading(tmp_path / "none.md", [])
    (tmp_path / "odd.md").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DataError, match="UTF-8"):
        notes_by_heading(tmp_path / "odd.md", [])


def test_sections_are_left_out_and_put_in_order(tmp_path):
    path = tmp_path / "sections.toml"
    path.write_text('sections = ["training", "attack"]', encoding="utf-8")
    assert read_sections(path) == ("training", "attack")
    for text, said in (
        ('sections = ["attak"]', "no section 'attak'; there are notes, attack"),
        ('sections = ["attack", "attack"]', "named twice"),
        ('other = ["attack"]', "write one line such as"),
        ('sections = "attack"', "write one line such as"),
        ("sections = [", "sections.toml"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(DataError, match=re.escape(said)):
            read_sections(path)


@pytest.mark.slow
def test_a_page_shows_the_coachs_words_sections_and_videos(report, odd, notes, tmp_path, parse):
    ladder, matches = report.ladder_, sorted(report.ladder_.features["match"].astype(str).unique())
    video = tmp_path / "a film & more.mp4"
    video.write_bytes(b"film")
    made = Report(sections=("training", "notes"), videos=dict.fromkeys(matches, video))
    made.ladder_ = ladder
    page_file = tmp_path / "pages" / "page.html"
    made.write(odd, page_file, notes=notes)
    page = parse(page_file.read_text(encoding="utf-8"))
    titles = [node.text for node in page.all("h2")]
    assert titles.index("Training, step by step") < titles.index("From the coach")
    assert "When does attacking pay?" not in titles
    assert page.all("script") == []
    videos = page.all("video")
    assert videos
    for node in videos:
        path, _, fragment = node.attrs["src"].partition("#t=")
        assert path == "../a%20film%20%26%20more.mp4"
        begin, end = (float(part) for part in fragment.split(","))
        assert 0.0 <= begin < end
        assert node.attrs["preload"] == "none"
    # the fragment holds the rally's own times
    shots = ladder.features
    one = next(e for each in made.content(odd).lists for e in each.examples if e.video)
    rally = shots[
        (shots["match"].astype(str) == one.match)
        & (shots["game"] == one.game)
        & (shots["rally"] == one.rally)
    ]
    begin, end = (float(part) for part in one.video.partition("#t=")[2].split(","))
    assert begin <= rally["t_s"].min()
    assert end >= rally["t_s"].max()


def test_a_video_that_is_not_here_or_of_no_match_is_told(tmp_path):
    film = tmp_path / "film.mp4"
    film.write_bytes(b"film")
    assert check_videos({"m1": film}, ["m1", "m2"]) == {"m1": film}
    with pytest.raises(DataError, match="no match is called 'm9'; the log has m1, m2"):
        check_videos({"m9": film}, ["m1", "m2"])
    for where in ("https://example.org/film.mp4", tmp_path / "none.mp4"):
        with pytest.raises(DataError, match="no file here"):
            check_videos({"m1": str(where)}, ["m1"])


def test_every_section_has_a_place_in_the_usual_order(content):
    keys = [one.key for one in content.sections]
    assert keys == [key for key in SECTIONS if key in keys]
    text = render_page(replace(content, sections=content.sections[:1]))
    assert 'id="attack"' in text
    assert 'id="choice"' not in text
