from __future__ import annotations

import pandas as pd
import pytest
from typer.testing import CliRunner

from sidewall.cli.app import app
from sidewall.simulate import synthetic_data_folder

pytestmark = pytest.mark.slow


def run(*words):
    return CliRunner().invoke(app, ["report", *(str(word) for word in words)])


def test_a_page_with_initials_and_clips(log_of_rowan, tmp_path):
    out = tmp_path / "page.html"
    players = synthetic_data_folder() / "players.csv"
    (tmp_path / "words.md").write_text("Well done.", encoding="utf-8")
    (tmp_path / "film.mp4").write_bytes(b"film")
    words = ("--player", "rowan", "--out", out, "--players", players, "--initials", "--clips")
    words += ("--notes", tmp_path / "words.md", "--video", f"w1m1={tmp_path / 'film.mp4'}")
    result = run(log_of_rowan, *words)
    assert result.exit_code == 0, result.output
    text = out.read_text(encoding="utf-8")
    assert "<h1>RO on court</h1>" in text
    for name in pd.read_csv(players)["player"]:
        assert name not in text
    assert "Initials stand for the players" in text
    assert (tmp_path / "page-clips").is_dir()
    assert "<p>Well done.</p>" in text
    assert 'src="film.mp4#t=' in text
    assert "personal data" in result.stdout
    assert str(out) in result.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "either --player NAME or --all"),
        (("--player", "Rowan", "--all"), "either --player NAME or --all"),
        (("--player", "Rowan"), "ends in .html"),
        (("--player", "Rown", "--html"), "Close names: Rowan"),
        (("--player", "Rowan", "--html", "--initials"), "no initials"),
        (("--player", "Rowan", "--html", "--effort", "none.toml"), "none.toml"),
        (("--player", "Rowan", "--html", "--sections", "none.toml"), "none.toml"),
        (("--player", "Rowan", "--html", "--video", "film.mp4"), "as MATCH=FILE"),
        (("--player", "Rowan", "--html", "--video", "w9=film.mp4"), "no match is called 'w9'"),
        (("--all", "--notes", "words.md"), "a folder that holds NAME.md"),
    ],
)
def test_what_cannot_be_done_is_said(log_of_rowan, tmp_path, words, said):
    out = tmp_path / ("page.html" if "--html" in words else "page")
    result = run(log_of_rowan, *(word for word in words if word != "--html"), "--out", out)
    assert result.exit_code == 2
    assert said in result.stderr
    assert not out.exists()
