from __future__ import annotations

import re
from dataclasses import replace

import pytest

from sidewall.errors import DataError
from sidewall.report import Report
from sidewall.report.coach import notes_by_heading, read_sections
from sidewall.report.ladder import own
from sidewall.report.page import render_page
from sidewall.report.rallies import check_videos
from sidewall.report.sections import SECTIONS, Pages

NOTES = """Well **done**.

## TRAINING, step by step

Twice a week. <script>alert("x")</script>

![spy](https://example.org/spy.png) [bad](javascript:alert(1))

# Something else

The knee first.
"""


@pytest.fixture(scope="module")
def pages(report, odd):
    return {one.key: one for one in report.content(odd).sections}


def test_what_a_choice_cost_is_told_as_a_loss(report, pages, odd):
    table = own(report.ladder_.decision_table, odd)
    lost = -table.groupby("decision", observed=True)["points"].sum()
    assert lost["forced"] > 0
    assert lost["passed up"] > 0
    verdict = pages["choice"].verdict
    assert f"loose balls not attacked cost {lost['passed up']:.1f} (" in verdict
    assert f"tight ones attacked {lost['forced']:.1f} (" in verdict


@pytest.mark.parametrize("sign", [1, -1])
def test_a_shot_that_brings_loose_balls_more_often_makes_more_openings(report, odd, sign):
    ladder = report.ladder_
    before = ladder.credit
    first = own(before, odd).query("n_rallies >= 10").index[0]
    made = before.assign(difference=0.0, difference_low=-0.1, difference_high=0.1)
    ends = [sign * 0.3, *sorted((sign * 0.2, sign * 0.4))]
    made.loc[first, ["difference", "difference_low", "difference_high"]] = ends
    try:
        ladder.credit = made
        found = {one.key: one for one in report.content(odd).sections}["opening"]
    finally:
        ladder.credit = before
    assert ("1 clearly makes more" in found.verdict) == (sign > 0)
    assert [line.says.endswith("more openings.") for line in found.lines] == [sign > 0]


def test_pace_counts_the_balls_that_are_taken_early(report, pages, odd):
    shots = report.ladder_.features
    some = shots[shots["tempo_s"].notna()]  # every match of this log is the player's
    mine = (some["player"] == odd).to_numpy()
    tempo = some["tempo_s"].to_numpy(dtype=float)
    early = 100 * (tempo[mine] < tempo[~mine].mean()).mean()
    assert abs(early - 50) > 1  # else early and late look alike
    says = next(line.says for line in pages["height"].lines if line.title == "Pace")
    assert says.startswith(f"Of 100 balls {early:.0f} (")


@pytest.mark.parametrize(
    ("at", "low", "high", "says"),
    [
        (-0.6, -0.7, -0.5, "0.60 m (0.50 to 0.70) short"),
        (0.2, -0.1, 0.5, "0.20 m (0.00 to 0.50) long"),
        (float("nan"), 0.0, 0.0, "missed by an unknown length"),
    ],
)
def test_a_miss_is_told_with_its_way(at, low, high, says):
    row = {"long_m": at, "long_m_low": low, "long_m_high": high}
    assert Pages._miss(None, row, "long", "long", "short") == says


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
    with pytest.raises(DataError, match=r"none\.md: there is no such file\. Check the name"):
        notes_by_heading(tmp_path / "none.md", [])
    with pytest.raises(DataError, match=r"none\.toml: there is no such file\. Check the name"):
        read_sections(tmp_path / "none.toml")
    with pytest.raises(DataError, match=r"cannot be read \(Is a directory\)"):
        read_sections(tmp_path)
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
