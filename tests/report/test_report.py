from __future__ import annotations

import inspect
from pathlib import Path

import pandas as pd
import pytest

from sidewall.errors import DataError, NotFittedError, UnitError, WriteError
from sidewall.models import TightnessModel
from sidewall.placement import TinMargin
from sidewall.report import Report, WrittenReport, write_report
from sidewall.report.page import render_page
from sidewall.worklist import WorkList

pytestmark = pytest.mark.slow


def test_a_page_fits_no_model_and_makes_no_table_of_one_again(report, content, odd, monkeypatch):
    def again(*_, **__):
        raise AssertionError("done a second time")

    for model in (TightnessModel, WorkList, TinMargin):
        monkeypatch.setattr(model, "fit", again)
    for name in ("thresholds", "curves", "comfort", "rule"):
        monkeypatch.setattr(f"sidewall.models.tightness.{name}_table", again)
    # and it comes out the same
    assert report.content(odd) == content


def test_everyone_gets_a_page_and_the_index_lists_them(report, content, parse, odd, tmp_path):
    told = []
    place = tmp_path / "all"
    names = [odd, next(name for name in report.players if name != odd)]
    done = report.write_all(place, players=names, jobs=2, tell=told.append)
    assert [one.player for one in done] == names
    assert told == done
    assert {path.name for path in place.iterdir()} == {
        "index.html",
        *(one.file.name for one in done),
    }
    # another process writes what this one would
    assert done[0].file.read_text(encoding="utf-8") == render_page(content)
    text = (place / "index.html").read_text(encoding="utf-8")
    page = parse(text)
    assert "<script" not in text
    links = [node for node in page.all("a") if node.attrs["href"].endswith(".html")]
    assert [node.text for node in links] == names
    assert all((place / node.attrs["href"]).is_file() for node in links)


def test_a_player_called_index_has_a_page_of_another_name(report, monkeypatch, tmp_path):
    def pretend(self, player, file, *, clips=False, notes=None):
        return WrittenReport(player, Path(file))

    monkeypatch.setattr(Report, "write", pretend)
    (one,) = report.write_all(tmp_path, players=["Index"])
    assert one.file.name == "player-index.html"


def bare_of(shots):
    """The same shots without places, times, heights and details of the match."""
    places = [name for name in shots if str(name).endswith(("x_m", "y_m", "z_m"))]
    return shots.drop(columns=[*places, "t_s", "date", "tin_height_m", "board_width_m", "scoring"])


def test_a_log_without_places_times_and_heights_still_has_a_page(shots, odd, tmp_path, parse):
    bare = bare_of(shots)
    made = Report().fit(bare)
    text = made.write(odd, tmp_path / "bare.html").file.read_text(encoding="utf-8")
    page = parse(text)
    said = page.all("main")[0].text
    assert "What cannot be said yet" in said
    assert "Whether the length lands" in said
    assert "Chart the first bounce" in said
    assert "no video times" in said
    assert not page.all("time")
    assert not page.all("video")
    with pytest.raises(DataError, match="no times"):
        made.write(odd, tmp_path / "clips.html", clips=True)


def test_with_two_jobs_comes_the_same_page(shots, check, html, odd, tmp_path):
    """What another process makes meanwhile is what would be made here."""
    made = Report(check=check).fit(shots, jobs=2)
    assert made.ladder_._beside is not None
    page = made.write(odd, tmp_path / "new" / "odd.html", clips=True)
    assert made.ladder_._beside is None
    assert page.file.read_text(encoding="utf-8") == html


def test_with_two_jobs_is_said_what_a_log_cannot_tell(shots, odd):
    bare = bare_of(shots)
    one, two = Report().fit(bare), Report().fit(bare, jobs=2)
    assert one.content(odd) == two.content(odd)
    assert one.ladder_.missing == two.ladder_.missing
    assert "tin margin" in two.ladder_.missing


def test_a_log_with_too_little_says_so(shots, tmp_path):
    few = shots[(shots["game"] == 1) & (shots["rally"] == 1)].reset_index(drop=True)
    with pytest.raises(DataError, match="No report can be made"):
        write_report(few, "Cedar", tmp_path / "few.html")
    assert not (tmp_path / "few.html").exists()


def test_who_and_where_must_be_there(report, tmp_path, odd):
    with pytest.raises(NotFittedError):
        Report().write(odd, tmp_path / "page.html")
    with pytest.raises(DataError, match="Nobody"):
        report.write("Nobody", tmp_path / "page.html")
    with pytest.raises(UnitError, match="furlong"):
        Report("furlong")  # before models are fitted
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(WriteError, match="no folder"):
        report.write(odd, tmp_path / "file" / "page.html")
    with pytest.raises(WriteError, match=r"this is a folder\. Add a file name"):
        report.write(odd, tmp_path)


def test_write_report_takes_every_option_of_the_report():
    options = inspect.signature(Report).parameters
    assert {"unit", "level", "seed", "initials"} <= set(options)
    assert "options" in inspect.signature(write_report).parameters


def test_clips_are_written_beside_the_page_and_linked(written, page, content):
    lists = content.lists
    folder = written.file.parent / f"{written.file.stem}-clips"
    on_disc = {path.relative_to(written.file.parent).as_posix() for path in folder.iterdir()}
    linked = {
        node.attrs["href"]
        for node in page.all("a")
        if node.attrs["href"].endswith((".vtt", ".csv"))
    }
    assert linked == on_disc
    assert {path.suffix for path in folder.iterdir()} == {".csv", ".vtt"}
    assert {f"{folder.name}/{path.name}" for path in written.clips} == on_disc
    # a few files: the best examples by match and as a table, and all others as one table
    assert len(on_disc) <= 2 + len({one.match for each in lists for one in each.examples})
    table = pd.read_csv(folder / "best-examples.csv")
    assert (table["out_s"] > table["in_s"]).all()
    assert table["rows"].sum() == sum(len(one.examples) for one in lists)
    others = pd.read_csv(folder / "other-rallies.csv")
    assert others["rows"].sum() > len(table)
